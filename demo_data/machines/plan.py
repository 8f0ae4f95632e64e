"""Which pictures are taken: reference shots, labelled photos in three parts, large sets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from demo_data.machines.specs import PartSpec, ViewSpec

Rng = np.random.Generator
SETS = ("tune", "calibrate", "test")
RETAKES = ("blur", "dark", "glare", "cropped", "covered", "covered", "cropped", "wrong-view")


@dataclass(frozen=True)
class Task:
    """One picture.

    Attributes:
        machine, view: what is shown (for ``wrong-view`` another view is drawn).
        file: relative path of the JPEG.
        kind: "master", "reference" or "photo".
        states: parts that are not as they should be.
        retake: why the photo must be refused, or None.
        big: 4000 x 3000 pixels.
        seed: of everything random in it.
        unlabelled: parts that are not at their places because of another part's fault.
    """

    machine: str
    view: str
    file: str
    kind: str
    states: dict[str, str] = field(default_factory=dict)
    retake: str | None = None
    big: bool = False
    seed: tuple[int, ...] = ()
    unlabelled: tuple[str, ...] = ()


@dataclass(frozen=True)
class Amount:
    """How many pictures a view gets; faults per shot pair count how often each is shown."""

    right: int
    faulty: int
    spoilt: int


# The first machine in full, the others to see whether what was chosen on it holds.
PHOTOS = {
    True: {"tune": Amount(4, 6, 2), "calibrate": Amount(4, 6, 2), "test": Amount(8, 14, 4)},
    False: {"tune": Amount(1, 2, 0), "calibrate": Amount(2, 3, 0), "test": Amount(5, 9, 2)},
}
RIGHT_SHOTS = {True: 5, False: 3}
SHOTS_PER_FAULT = {True: 2, False: 2}


def pairs(view: ViewSpec) -> list[tuple[str, str]]:
    """Return every (part, fault state) of a view."""
    return [(part.id, fault.state) for part in view.parts for fault in part.faults]


def _twin(part_id: str) -> str:
    """Return what must not be wrong in one shot with the part, since one hides the other."""
    side, _, kind = part_id.rpartition("-")
    if kind == "stem":
        return f"{side}-handle"
    if kind == "handle":
        return f"{side}-stem"
    return part_id


def pack(view: ViewSpec, times: int, most: int, rng: Rng) -> list[dict[str, str]]:
    """Return shots' states so that each part and fault is shown ``times`` times.

    At most ``most`` parts are wrong in a shot, and never all parts that look alike, nor a
    missing pin together with missing handles.
    """
    shots: list[dict[str, str]] = []
    left = [pair for pair in pairs(view) for _ in range(times)]
    left = [left[int(i)] for i in rng.permutation(len(left))]
    for part_id, state in left:
        fitting = [shot for shot in shots if _fits(view, shot, part_id, state, most)]
        fitting = [s for s in fitting if s.get(part_id) != state]
        if fitting:
            fitting[int(rng.integers(len(fitting)))][part_id] = state
        else:
            shots.append({part_id: state})
    return shots


def _fits(view: ViewSpec, shot: dict[str, str], part_id: str, state: str, most: int) -> bool:
    if part_id in shot or len(shot) >= most or _twin(part_id) in shot:
        return False
    if part_id in view.carried(shot) or set(view.carried({part_id: state})) & set(shot):
        return False
    kinds = {view.part(p).alike or p for p in shot}
    if state == "missing" and part_id.endswith("-handle") and shot.get("handle-pin"):
        return False
    if part_id == "handle-pin" and any(p.endswith("-handle") for p in shot):
        return False
    # A bushing that is gone says nothing about the gasket round it, so kinds may mix.
    return (view.part(part_id).alike or part_id) not in kinds or most > 2


def _even(view: ViewSpec, count: int, rng: Rng, times: int) -> list[dict[str, str]]:
    """Return ``count`` faulty shots of 1 to 3 wrong parts, all pairs ``times`` times if they fit.

    What does not fit is added to the emptiest shots; spare shots get random faults.
    """
    shots: list[dict[str, str]] = [{} for _ in range(count)]
    left = [pair for _ in range(times) for pair in _shuffled(pairs(view), rng)]
    for part_id, state in left:
        order = sorted(range(count), key=lambda i: (len(shots[i]), rng.random()))
        for i in order:
            if _fits(view, shots[i], part_id, state, 3):
                shots[i][part_id] = state
                break
    for shot in shots:
        if not shot:
            shot.update(draw_faults(view, rng))
    return shots


def _shuffled(items: list[tuple[str, str]], rng: Rng) -> list[tuple[str, str]]:
    return [items[int(i)] for i in rng.permutation(len(items))]


def draw_faults(view: ViewSpec, rng: Rng) -> dict[str, str]:
    """Return one to three random faults."""
    shot: dict[str, str] = {}
    wanted = int(rng.choice([1, 2, 3], p=[0.45, 0.33, 0.22]))
    for part_id, state in _shuffled(pairs(view), rng):
        if len(shot) == wanted:
            break
        if _fits(view, shot, part_id, state, 3):
            shot[part_id] = state
    return shot


def reference(machine: str, view: ViewSpec, full: bool, seed: tuple[int, ...]) -> list[Task]:
    """Return the master, right shots and fault shots of a machine folder."""
    rng = np.random.default_rng([*seed, 1])
    states: list[dict[str, str]] = [{} for _ in range(RIGHT_SHOTS[full])]
    states += pack(view, SHOTS_PER_FAULT[full], 4 if len(view.parts) > 6 else 3, rng)
    tasks = [Task(machine, view.id, f"{view.id}/01.jpg", "master", seed=(*seed, 1, 0))]
    for k, wrong in enumerate(states, start=2):
        file = f"{view.id}/{k:02d}.jpg"
        task = Task(machine, view.id, file, "reference", wrong, seed=(*seed, 1, k))
        tasks.append(replace(task, unlabelled=view.carried(wrong)))
    return tasks


def photos(machine: str, view: ViewSpec, full: bool, seed: tuple[int, ...]) -> list[Task]:
    """Return the labelled photos of a view, three parts that never mix."""
    tasks: list[Task] = []
    for number, part in enumerate(SETS):
        amount = PHOTOS[full][part]
        rng = np.random.default_rng([*seed, 2, number])
        rows: list[tuple[dict[str, str], str | None]] = [({}, None)] * amount.right
        times = 2 if part == "test" else 1
        rows += [(wrong, None) for wrong in _even(view, amount.faulty, rng, times)]
        first = {"tune": 0, "calibrate": 2, "test": 4}[part]
        kinds = [RETAKES[(first + k) % len(RETAKES)] for k in range(amount.spoilt)]
        if not full and part == "test":
            kinds = ["covered", "blur"][: amount.spoilt]
        rows += [({}, why) for why in kinds]
        order = rng.permutation(len(rows))
        big = set(order[:1].tolist()) if full and part in ("tune", "test") else set()
        for place, i in enumerate(order, start=1):
            wrong, why = rows[int(i)]
            file = f"{part}/{view.id}-{place:02d}.jpg"
            tall = int(i) in big and why is None
            token = (*seed, 2, number, place)
            task = Task(machine, view.id, file, "photo", wrong, why, tall, token)
            tasks.append(replace(task, unlabelled=view.carried(wrong)))
    return tasks


def large(machine: str, view: ViewSpec, count: int, seed: tuple[int, ...]) -> list[Task]:
    """Return ``count`` photos for measuring, a third of them all right."""
    tasks = []
    for k in range(count):
        rng = np.random.default_rng([*seed, 3, k])
        wrong = {} if rng.random() < 1 / 3 else draw_faults(view, rng)
        file = f"large/{view.id}-{k + 1:05d}.jpg"
        task = Task(machine, view.id, file, "photo", wrong, seed=(*seed, 3, k))
        tasks.append(replace(task, unlabelled=view.carried(wrong)))
    return tasks


def spoilt(machine: str, view: ViewSpec, count: int, seed: tuple[int, ...]) -> list[Task]:
    """Return ``count`` photos for measuring that must be taken again, each reason in turn."""
    return [
        Task(
            machine,
            view.id,
            f"spoilt/{view.id}-{k + 1:05d}.jpg",
            "photo",
            retake=RETAKES[k % len(RETAKES)],
            seed=(*seed, 4, k),
        )
        for k in range(count)
    ]


def shown(tasks: Sequence[Task]) -> dict[tuple[str, str, str], int]:
    """Count how often each (view, part, state) is shown in judgeable pictures."""
    counts: dict[tuple[str, str, str], int] = {}
    for task in tasks:
        if task.retake is None:
            for part_id, state in task.states.items():
                key = (task.view, part_id, state)
                counts[key] = counts.get(key, 0) + 1
    return counts


__all__ = ["PartSpec", "Task", "large", "photos", "reference", "shown", "spoilt"]
