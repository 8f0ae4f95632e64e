"""One night of the demonstration: a rebuild from its start to its release, and the evidence.

The people and the shop are invented. Everything else is what the commands of ``verify rebuild``
do, in a place of its own that is thrown away; only the clock is set.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from verify.cli.output import Ink, answer, clean, paint, rule, wrapped
from verify.domain import LabelledShot, Machine, Phase, Result, StepKind

if TYPE_CHECKING:
    from verify.rebuild.replay import StepState
    from verify.store.home import Home

_EVENING = datetime(2026, 6, 12, 21, 45, tzinfo=UTC)
_STORE = "harbour-steps"
_PEOPLE = (  # as in demo_data/scenario.toml
    ("noor", "Noor Castellan", "supervisor"),
    ("dalia", "Dalia Fenwick", "manager"),
    ("tomek", "Tomek Arrieta", "crew"),
)
_READINGS = {"mg/L": 100.0, "°C": 4.0, "s": 60.0}  # what the strip, thermometer, clock said
_WARM = 26.0


@dataclass
class _Clock:
    """A clock that is set by hand."""

    now: datetime

    def __call__(self) -> datetime:
        return self.now

    def wait(self, minutes: float = 4) -> None:
        self.now += timedelta(minutes=minutes)


def show_night(
    machine: Machine,
    right: Sequence[LabelledShot],
    first: Sequence[LabelledShot],
    results: Mapping[Path, Result],
    out: Path,
) -> None:
    """Walk one night through a rebuild and write its evidence.

    Args:
        machine: the demo machine.
        right: a photo of each view with all parts right.
        first: the photo of each view that is taken first; some have planted faults.
        results: what was found in each of them.
        out: folder for the evidence.
    """
    from verify.settings import RecordSettings
    from verify.store.home import open_home

    answer(rule())
    answer(paint("One night: from the first part in the tray to the release", Ink.STRONG))
    clock = _Clock(_evening(right, first))
    photos = [{shot.view: shot.path for shot in shots} for shots in (first, right)]
    with tempfile.TemporaryDirectory() as place:
        settings = RecordSettings(
            f"sqlite:///{place}/records.db", f"{place}/pictures", Path(place) / "keys"
        )
        with open_home(settings, clock) as home:
            _set_up(home, machine)
            started = home.rebuilds.start(machine.id, by="tomek")
            night = _Night(home, clock, photos, results, started.id)
            night.tell("Tomek", f"starts the rebuild, business day {started.day}")
            night.play(out)


@dataclass(frozen=True)
class _Night:
    """What goes on.

    Attributes:
        photos: view to photo: those taken first, and those taken when a part was mended.
    """

    home: Home
    clock: _Clock
    photos: Sequence[Mapping[str, Path]]
    results: Mapping[Path, Result]
    rebuild: str

    def play(self, out: Path) -> None:
        """Go through the plan, look, release, start up, prove."""
        rebuilds = self.home.rebuilds
        self._steps(start_up=False)
        self.clock.wait()
        held = rebuilds.hand_in(self.rebuild, by="tomek").open_holds
        self.tell("Tomek", f"hands it in{f', {len(held)} held' if held else ''}")
        self._look()
        self.clock.wait(20)
        rebuilds.release(self.rebuild, by="noor")
        self.tell("Noor, far away", "releases it for start-up, signed", Ink.GOOD)
        self._steps(start_up=True)
        self.clock.wait()
        rebuilds.put_in_use(self.rebuild, by="tomek")
        self.tell("Tomek", "puts it in use")
        self._prove(out)

    def tell(self, who: str, what: str, ink: Ink | None = None) -> None:
        """Write what somebody does, with the time of day."""
        for line in wrapped(what, " " * 9, f"  {self.clock.now:%H:%M}  {who}: "):
            answer(paint(line, ink) if ink else line)

    def _steps(self, *, start_up: bool) -> None:
        rebuild = self.home.rebuilds.get(self.rebuild)
        for state in rebuild.in_phase_group(start_up=start_up):
            self.clock.wait()
            _DO[state.step.kind](self, state)

    def photo(self, state: StepState) -> None:
        """Take the first photo of a view; if it is held, mend the part and take it again."""
        view = state.step.view or ""
        paths = [taken[view] for taken in self.photos if view in taken]
        for path in dict.fromkeys(paths):
            after = self._photo(state, path)
            if after.standing.value == "done":
                return
            self.clock.wait()
        self._after_photos(state)

    def _photo(self, state: StepState, path: Path) -> StepState:
        step = state.step
        done = self.home.rebuilds.photo(
            self.rebuild, step.id, path, by="tomek", judge=lambda p, _: self.results[p]
        )
        after = done.step(step.id)
        if after.standing.value == "to-acknowledge":
            done = self.home.rebuilds.acknowledge(self.rebuild, step.id, by="tomek")
            after = done.step(step.id)
        said = _first_of([hold.message for hold in after.open_holds])
        if after.standing.value == "again":
            said = after.data["result"]["retake"]["advice"]
        word = {"done": "passes", "held": "HELD", "again": "TAKE AGAIN"}[after.standing.value]
        ink = Ink.GOOD if word == "passes" else Ink.BAD
        self.tell("Tomek", f"photo, {step.title}: {word}{'. ' + said if said else ''}", ink)
        return after

    def _after_photos(self, state: StepState) -> None:
        """A step that still cannot be judged is left out, with a reason; it holds the machine."""
        now = self.home.rebuilds.get(self.rebuild).step(state.step.id)
        if now.answered:
            return
        reason = "The camera does not get it sharp, please look at it by daylight."
        self.home.rebuilds.skip(self.rebuild, state.step.id, reason, by="tomek")
        self.tell("Tomek", f"leaves out {state.step.title}: {reason}", Ink.DOUBT)

    def check(self, state: StepState) -> None:
        """Answer a hand check; a worn part is replaced once."""
        step = state.step
        if step.wear:
            item = step.wear[0]
            self.home.rebuilds.replace_part(self.rebuild, item.id, "a nick in it", by="tomek")
            self.tell("Tomek", f"replaces one from the wear kit: {item.title}, a nick in it")
        self.home.rebuilds.answer(self.rebuild, step.id, yes=True, by="tomek")
        self.tell("Tomek", f"{step.title}: yes")

    def reading(self, state: StepState) -> None:
        """Write down a reading; the first strength is too weak, and the bucket mixed anew."""
        step = state.step
        rebuilds = self.home.rebuilds
        value = _READINGS.get(step.unit or "", step.at_least or step.at_most or 1.0)
        if step.rule == "sanitizer-temperature":
            value = _WARM
        weak = step.rule == "sanitizer-strength" and step.phase is Phase.CLEAN
        tries = [12.5, value] if weak else [value]
        for number in tries:
            done = rebuilds.reading(self.rebuild, step.id, number, by="tomek")
            data = done.step(step.id).data
            ink = None if data["ok"] else Ink.BAD
            self.tell("Tomek", f"{step.title}: {data['message']}", ink)
            self.clock.wait(2)

    def _look(self) -> None:
        """The manager, who did not do the rebuild, looks at what is still held."""
        from verify.rebuild.entries import ClearedAs

        said: dict[str, list[str]] = {}
        for hold in self.home.rebuilds.get(self.rebuild).open_holds:
            self.clock.wait(1)
            said.setdefault(hold.step, []).append(hold.message)
            reason = "Looked at it with a lamp beside the reference picture: it is right."
            self.home.rebuilds.clear(
                self.rebuild, hold.id, ClearedAs.FALSE_ALARM, reason, by="dalia"
            )
        for step, messages in said.items():
            title = self.home.rebuilds.get(self.rebuild).step(step).step.title
            text = f"looks at {title}, {len(messages)} held, each a false alarm: "
            self.tell("Dalia", text + _first_of(messages), Ink.DOUBT)

    def _prove(self, out: Path) -> None:
        from verify.store.evidence import write_pdf, write_zip

        checked = self.home.rebuilds.check(self.rebuild)
        pdf, archive = out / f"{self.rebuild}.pdf", out / f"{self.rebuild}.zip"
        write_pdf(self.home, self.rebuild, pdf)
        write_zip(self.home, self.rebuild, archive)
        answer(f"  record: {len(checked.entries)} entries, as they were written")
        answer(f"  evidence: {clean(str(pdf.resolve()))}")
        answer(f"            {clean(str(archive.resolve()))}")


_DO: dict[StepKind, Callable[[_Night, StepState], None]] = {
    StepKind.PHOTO: _Night.photo,
    StepKind.CHECK: _Night.check,
    StepKind.READING: _Night.reading,
}


def _first_of(messages: Sequence[str]) -> str:
    more = f" (and {len(messages) - 1} more)" if len(messages) > 1 else ""
    return f"{messages[0]}{more}" if messages else ""


def _evening(right: Sequence[LabelledShot], first: Sequence[LabelledShot]) -> datetime:
    """Return a start before any photo says that it was taken, so that none is too old."""
    from verify.store.claims import facts_of, utc_of

    said = [facts_of(shot.path).taken_at for shot in (*right, *first)]
    taken = [utc_of(at, "Europe/Lisbon") for at in said if at is not None]
    return min([_EVENING, *taken])


def _set_up(home: Home, machine: Machine) -> None:
    from verify.rebuild.people import Role
    from verify.rebuild.sanitizer import Water
    from verify.store.sites import Site, StoreSettings

    settings = StoreSettings(water=Water(ph=7.5))
    site = Site(_STORE, "Harbour Steps", "Europe/Lisbon", settings=settings)
    home.sites.add_store(site, by="noor")
    for number, (person, name, role) in enumerate(_PEOPLE):
        secret = f"{638152 + 7919 * number}"
        home.people.add(person, name, by="noor", secret=secret, roles=[(_STORE, Role(role))])
    home.sites.add_machine(machine.folder, _STORE, number="SL-0317", by="noor")
    for part in home.wear.kit(machine.id):
        home.wear.set_stock(machine.id, part.item.id, 2 * part.item.count, by="dalia")
