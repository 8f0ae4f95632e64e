"""Which machine and which photos the demonstration shows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from verify.domain import LabelledShot, Machine
from verify.errors import UsageError

MACHINE = "pier-3"  # the one whose every view is taught
PLANTED = 3  # faults in the second rebuild


@dataclass(frozen=True)
class Rebuild:
    """One photo for each view that has one, in the order of the views."""

    title: str
    shots: tuple[LabelledShot, ...]

    @property
    def planted(self) -> int:
        """How many parts are not as they should be."""
        return sum(len(shot.states) for shot in self.shots)


def find_machine(reference_images: Path) -> Path:
    """Return the folder of the demo machine.

    Raises:
        UsageError: it is not there.
    """
    folder = reference_images / MACHINE
    if not folder.is_dir():
        raise UsageError(
            f"the demo machine is not at {folder}; run the demo from a clone of the "
            "project, or name a machine folder with --machine and a labelled set with --labels"
        )
    return folder


def find_labels(demo_data: Path, machine_folder: Path) -> Path:
    """Return the labelled set of that machine which nothing was tuned on.

    Raises:
        UsageError: it is not there.
    """
    path = demo_data / "photos" / machine_folder.name / "labels-test.toml"
    if not path.is_file():
        raise UsageError(
            f"the demo photos are not at {path}; run the demo from a clone of the project, "
            "or name a labelled set with --labels"
        )
    return path


def choose_rebuilds(machine: Machine, labels: Sequence[LabelledShot]) -> tuple[Rebuild, ...]:
    """Return a rebuild with all parts right and one with up to three faults, one to a photo.

    Always the first fitting photos of the labelled set, so that nobody picked them.

    Raises:
        UsageError: the set holds no photo to show.
    """
    usable = [shot for shot in labels if shot.retake is None and not shot.unlabelled]
    right: dict[str, list[LabelledShot]] = {}
    faulty: dict[str, LabelledShot] = {}
    for shot in usable:
        if not shot.states:
            right.setdefault(shot.view, []).append(shot)
        elif len(shot.states) == 1:
            faulty.setdefault(shot.view, shot)
    order = [view.id for view in machine.views]
    first = tuple(right[view][0] for view in order if view in right)
    spoiled = set(_spread([view for view in order if view in faulty], PLANTED))
    second = tuple(
        faulty[view] if view in spoiled else right[view][:2][-1]
        for view in order
        if view in spoiled or view in right
    )
    if not first and not second:
        raise UsageError("the labelled set holds no photo that can be judged; name another one")
    named = [("A rebuild with all parts right", first), (_planted_title(len(spoiled)), second)]
    return tuple(Rebuild(title, shots) for title, shots in named if shots)


def _planted_title(faults: int) -> str:
    return f"A rebuild with {faults} planted {'fault' if faults == 1 else 'faults'}"


def _spread(names: Sequence[str], count: int) -> Iterator[str]:
    """Yield up to ``count`` names, evenly over their order, the first and last among them."""
    n = min(count, len(names))
    for k in range(n):
        yield names[round(k * (len(names) - 1) / max(1, n - 1))]
