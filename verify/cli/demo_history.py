"""Some weeks of the invented shops, night by night, as they are written into their records.

Photos are rendered; what was found in each is worked out, nothing of it is written by hand. The
people do what the commands of ``verify rebuild`` do; only the clock is set.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from verify.domain import LabelledShot, Result, StepKind

if TYPE_CHECKING:
    from verify.rebuild.replay import StepState
    from verify.store.home import Home
    from verify.store.reviews import Flagged

Judge = Callable[[Path, Path, str], Result]  # machine folder, photo, view

# Which nights are played: days ago, and whether the first photos show planted faults.
NIGHTS = {
    "pier-3": ((31, True), (24, False), (17, True), (10, False), (3, True)),
    "dune-1": ((27, False), (20, True), (13, True), (6, False)),
    "cove-1": ((29, True), (22, False), (12, True), (5, False)),
}
_TONIGHT = {"pier-3": "under-way", "dune-1": "handed-in", "cove-1": "released"}
_LEAK = ("cove-1", 12)
_WORN = (31, 27, 29)  # the nights on which the wear kit was fitted
_READINGS = {"mg/L": 100.0, "°C": 4.0, "s": 60.0}
_WARM = 26.0


@dataclass
class Clock:
    """The real time, or one that is set by hand."""

    now: datetime | None = None

    def __call__(self) -> datetime:
        """Return what it shows."""
        return self.now or datetime.now(UTC)

    def wait(self, minutes: float = 4) -> None:
        """Set it on, if it is set by hand."""
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


def plan_nights(folder: Path, demo_data: Path) -> list[Planned]:
    """Choose the photos, each for one night only: the first fitting ones of the labelled sets."""
    from verify.machine_file import read_labels, read_machine

    planned = []
    for machine_id, nights in NIGHTS.items():
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
            spoiled = [views[(number + k) % len(views)] for k in (0, 1)] if faults else []
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


@dataclass
class History:
    """Plays nights into an installation."""

    home: Home
    clock: Clock
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
        if night.until == "released":
            return
        self._steps(started, by, night, start_up=True)
        rebuilds.put_in_use(started, by=by)
        if (night.machine, night.days_ago) == _LEAK:
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
                if state.step.wear and night.days_ago in _WORN:
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
