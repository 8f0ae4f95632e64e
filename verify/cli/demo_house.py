"""The invented shops with some weeks of history, for pages to be looked at.

People, shops and machines are invented (``demo_data/scenario.toml``), photos are rendered. What
was found in each photo is worked out, nothing of it is written by hand; only the clock is set.
"""

from __future__ import annotations

import shutil
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verify.domain import LabelledShot, Result, StepKind

if TYPE_CHECKING:
    from verify.rebuild.replay import StepState
    from verify.store.home import Home
    from verify.store.reviews import Flagged

Judge = Callable[[Path, Path, str], Result]  # machine folder, photo, view

# Which nights are played: days ago, and whether the first photos show planted faults.
_NIGHTS = {
    "pier-3": ((24, True), (17, False), (10, True), (3, True)),
    "dune-1": ((20, True), (9, False)),
    "cove-1": ((22, False), (12, True), (5, True)),
}
_TONIGHT = {"pier-3": "under-way", "dune-1": "handed-in"}
_READINGS = {"mg/L": 100.0, "°C": 4.0, "s": 60.0}
_WARM = 26.0


@dataclass
class _Clock:
    """The real time, or one that is set by hand."""

    now: datetime | None = None

    def __call__(self) -> datetime:
        return self.now or datetime.now(UTC)

    def wait(self, minutes: float = 4) -> None:
        if self.now is not None:
            self.now += timedelta(minutes=minutes)


@dataclass(frozen=True)
class Planned:
    """One rebuild to be played: for each view a right photo, and perhaps a faulty one before."""

    machine: str
    days_ago: int
    until: str
    first: Mapping[str, LabelledShot]
    right: Mapping[str, LabelledShot]


def pins_of(scenario: Path) -> dict[str, tuple[str, str, str]]:
    """Return name, part and PIN of the invented people, by id. The PINs guard nothing."""
    people = tomllib.loads(scenario.read_text(encoding="utf-8"))["person"]
    return {
        person["id"]: (person["name"], person["part"], f"{638152 + 7919 * number}")
        for number, person in enumerate(people)
    }


def copy_machines(reference_images: Path, folder: Path) -> None:
    """Copy the machine folders, so that what is taught on the pages changes no original."""
    for machine in _NIGHTS:
        if not (folder / machine).is_dir():
            shutil.copytree(reference_images / machine, folder / machine)


def plan_nights(folder: Path, demo_data: Path) -> list[Planned]:
    """Choose the photos, each for one night only: the first fitting ones of the labelled sets."""
    from verify.machine_file import read_labels, read_machine

    planned = []
    for machine_id, nights in _NIGHTS.items():
        machine = read_machine(folder / machine_id)
        folder_of_sets = demo_data / "photos" / machine_id
        sets = [folder_of_sets / f"labels-{part}.toml" for part in ("test", "tune")]
        every = [shot for file in sets for shot in read_labels(file, machine)]
        shots = [shot for shot in every if shot.retake is None and not shot.unlabelled]
        views = [view.id for view in machine.views]
        right = {v: iter([s for s in shots if s.view == v and not s.states]) for v in views}
        wrong = {v: iter([s for s in shots if s.view == v and s.states]) for v in views}
        tonight = _TONIGHT.get(machine_id)
        todo = [(ago, faults, "in-use") for ago, faults in nights]
        todo += [(0, True, tonight)] if tonight else []
        for number, (ago, faults, until) in enumerate(todo):
            spoiled = views[number % len(views) :][:2] if faults else []
            planned.append(
                Planned(
                    machine_id,
                    ago,
                    until,
                    {view: next(wrong[view]) for view in spoiled},
                    {view: next(right[view]) for view in views},
                )
            )
    return sorted(planned, key=lambda night: -night.days_ago)


def judge_all(
    nights: Sequence[Planned],
    folder: Path,
    judge: Judge,
    workers: int,
    progress: Callable[[str], None],
) -> dict[Path, Result]:
    """Judge every photo that is used, several at a time."""
    asks = [
        (folder / night.machine, shot)
        for night in nights
        for shot in (*night.first.values(), *night.right.values())
    ]
    said: dict[Path, Result] = {}
    with ThreadPoolExecutor(workers) as pool:
        results = pool.map(lambda ask: judge(ask[0], ask[1].path, ask[1].view), asks)
        for (_, shot), result in zip(asks, results, strict=True):
            said[shot.path] = result
            progress(f"judged {len(said)} of {len(asks)} photos of the history")
    return said


def furnish(home: Home, scenario: Path, folder: Path) -> None:
    """Add the invented stores, people and machines."""
    from verify.rebuild.people import Role
    from verify.rebuild.sanitizer import Water
    from verify.store.sites import Site, StoreSettings

    plain: dict[str, Any] = tomllib.loads(scenario.read_text(encoding="utf-8"))
    settings = StoreSettings(water=Water(ph=7.5))
    for store in plain["store"]:
        site = Site(store["id"], store["name"], store["time_zone"], settings=settings)
        home.sites.add_store(site, by="noor")
    everywhere = [store["id"] for store in plain["store"]]
    people = sorted(plain["person"], key=lambda p: p["part"] != "supervisor")
    secrets = pins_of(scenario)
    for person in people:
        stores = [person["store"]] if "store" in person else everywhere
        roles = [(store, Role(person["part"])) for store in stores]
        name, _, pin = secrets[person["id"]]
        home.people.add(person["id"], name, by="noor", secret=pin, roles=roles)
    for machine in plain["machine"]:
        home.sites.add_machine(
            folder / machine["id"], machine["store"], number=machine["number"], by="noor"
        )
        for part in home.wear.kit(machine["id"]):
            home.wear.set_stock(machine["id"], part.item.id, 2 * part.item.count, by="noor")


@dataclass
class History:
    """Plays nights into an installation."""

    home: Home
    clock: _Clock
    said: Mapping[Path, Result]
    crew: Mapping[str, tuple[str, str]] = field(
        default_factory=lambda: {
            "harbour-steps": ("tomek", "ines"),
            "lantern-square": ("ruth", "ruth"),
        }
    )
    managers: Mapping[str, str] = field(
        default_factory=lambda: {"harbour-steps": "dalia", "lantern-square": "marcus"}
    )

    def play(self, night: Planned, number: int) -> None:
        """Play one night as far as it is to go."""
        rebuilds = self.home.rebuilds
        midnight = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
        start = midnight - timedelta(days=night.days_ago) + timedelta(hours=21, minutes=40)
        if start >= datetime.now(UTC) - timedelta(hours=3):
            start = datetime.now(UTC) - timedelta(hours=3)
        self.clock.now = start
        store = self.home.sites.machine(night.machine).store
        by = self.crew[store][number % 2]
        started = rebuilds.start(night.machine, by=by).id
        self._steps(started, by, night, start_up=False)
        if night.until == "under-way":
            return
        rebuilds.hand_in(started, by=by)
        if night.until == "handed-in":
            return
        self._look(started, self.managers[store], night)
        self.clock.wait(9 + 13 * (number % 4))
        rebuilds.release(started, by="noor")
        self._steps(started, by, night, start_up=True)
        rebuilds.put_in_use(started, by=by)
        if night.days_ago == 12:
            self._leak(started, by, store)

    def _steps(self, rebuild: str, by: str, night: Planned, *, start_up: bool) -> None:
        group = self.home.rebuilds.get(rebuild).in_phase_group(start_up=start_up)
        for place, state in enumerate(group):
            if night.until == "under-way" and state.step.id == "door-front":
                return
            self.clock.wait(3 + place % 4)
            if state.step.kind is StepKind.PHOTO:
                self._photo(rebuild, state, by, night)
            elif state.step.kind is StepKind.CHECK:
                if state.step.wear and night.days_ago in (24, 22, 20):
                    for item in state.step.wear:
                        self.home.rebuilds.replace_part(rebuild, item.id, "its time", by=by)
                self.home.rebuilds.answer(rebuild, state.step.id, yes=True, by=by)
            else:
                self._reading(rebuild, state, by, night)

    def _photo(self, rebuild: str, state: StepState, by: str, night: Planned) -> None:
        view = state.step.view or ""
        tries = [night.first.get(view), night.right.get(view)]
        if night.until == "handed-in" and night.first.get(view):
            tries = tries[:1]  # somebody far away has something to look at
        for shot in (shot for shot in tries if shot is not None):
            after = self.home.rebuilds.photo(
                rebuild, state.step.id, shot.path, by=by, judge=lambda p, _: self.said[p]
            ).step(state.step.id)
            if after.standing.value == "to-acknowledge":
                self.home.rebuilds.acknowledge(rebuild, state.step.id, by=by)
            self.clock.wait(2)
        if not self.home.rebuilds.get(rebuild).step(state.step.id).answered:
            reason = "The camera does not get it sharp, please look at it by daylight."
            self.home.rebuilds.skip(rebuild, state.step.id, reason, by=by)

    def _reading(self, rebuild: str, state: StepState, by: str, night: Planned) -> None:
        step = state.step
        value = _READINGS.get(step.unit or "", 1.0)
        if step.rule == "sanitizer-temperature":
            value = _WARM
        weak = step.rule == "sanitizer-strength" and night.days_ago % 5 == 2
        for number in [12.5, value] if weak else [value]:
            self.home.rebuilds.reading(rebuild, step.id, number, by=by)
            self.clock.wait(2)

    def _look(self, rebuild: str, manager: str, night: Planned) -> None:
        """The manager looks at what was flagged, by the truth that came with the photos."""
        from verify.rebuild.entries import ClearedAs

        for hold in self.home.rebuilds.get(rebuild).open_holds:
            self.clock.wait(1)
            reason = "Looked at it with a lamp beside the reference picture: it is right."
            self.home.rebuilds.clear(rebuild, hold.id, ClearedAs.FALSE_ALARM, reason, by=manager)
        store = self.home.rebuilds.get(rebuild).store
        if night.days_ago <= 3:
            return  # left for whoever tries the page of flagged parts
        for flagged, state in self._flagged_with_truth(rebuild, store, night):
            from verify.store.reviews import Said

            self.home.reviews.say(
                flagged, Said.REAL if state else Said.FALSE_ALARM, state=state, by=manager
            )

    def _flagged_with_truth(
        self, rebuild: str, store: str, night: Planned
    ) -> Iterator[tuple[Flagged, str | None]]:
        shots = (*night.first.values(), *night.right.values())
        truth = {self.said[shot.path].sha256: shot.states for shot in shots}
        for flagged in self.home.reviews.flagged([store], rebuild=rebuild):
            yield flagged, truth[flagged.sha256].get(flagged.part)

    def _leak(self, rebuild: str, by: str, store: str) -> None:
        self.clock.wait(600)
        self.home.rebuilds.leak(
            rebuild, "under the spout, a drop every minute", step_id="door-front", by=by
        )
        self.clock.wait(30)
        self.home.rebuilds.give_up(
            rebuild, "Taken apart again the next day.", by=self.managers[store]
        )


def build_house(
    folder: Path,
    reference_images: Path,
    demo_data: Path,
    judge: Judge,
    workers: int,
    progress: Callable[[str], None],
) -> None:
    """Write the whole invented house into a folder that has none yet.

    Args:
        folder: gets the records, the pictures and copies of the machines.
        reference_images: machine folders of the demonstration.
        demo_data: its scenario and photos.
        judge: judges a photo by a machine folder.
        workers: how many photos are judged at the same time.
        progress: is told what goes on.
    """
    from verify.store.home import open_home

    machines = folder / "machines"
    copy_machines(reference_images, machines)
    nights = plan_nights(machines, demo_data)
    said = judge_all(nights, machines, judge, workers, progress)
    clock = _Clock()
    with open_home(records_of(folder), clock) as home:
        clock.now = datetime.now(UTC) - timedelta(days=30)
        furnish(home, demo_data / "scenario.toml", machines)
        history = History(home, clock, said)
        for number, night in enumerate(nights):
            progress(f"playing night {number + 1} of {len(nights)}")
            history.play(night, number)


def records_of(folder: Path) -> Any:
    """Return where the records of the invented house lie."""
    from verify.settings import RecordSettings

    return RecordSettings(
        f"sqlite:///{folder / 'records.db'}", str(folder / "pictures"), folder / "keys"
    )
