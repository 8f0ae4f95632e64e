"""What is measured on: machine folders with photos whose truth is known."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from models.shots import right_shots
from verify.domain import LabelledShot, Machine
from verify.errors import UsageError
from verify.machine_file import read_labels, read_machine
from verify.resources import demo_data_folder, reference_images_folder

TUNE_EVERY = 3  # without photos to tune on, each third one of the labelled set tunes
DEMO = "demo machines"
SCREWS = "screw board"


@dataclass(frozen=True)
class PhotoSet:
    """Photos of one machine, in two parts that never mix.

    Attributes:
        group: sets of the same group are counted together.
        machine: what teaches.
        tune: photos that every peer draws its line on.
        test: photos that count.
        truth: by photo and view, the place of its parts where that is known; else empty.
    """

    group: str
    machine: Machine
    tune: tuple[LabelledShot, ...]
    test: tuple[LabelledShot, ...]
    truth: Path | None = None

    @property
    def name(self) -> str:
        """Short name for files and progress."""
        return self.machine.id

    def taught_with(self, teaching: str) -> Machine:
        """Return the machine as taught with ``all`` shots or with ``N right`` ones alone."""
        if teaching == "all":
            return self.machine
        return right_shots(self.machine, int(teaching.split()[0]))


def read_set(group: str, machine: Path, tune: Path | None, test: Path) -> PhotoSet:
    """Read one set.

    Args:
        group: what it is counted with.
        machine: a machine folder.
        tune: labelled photos to draw lines on; None takes every third photo of ``test``.
        test: labelled photos that count.

    Raises:
        MachineFileError: the folder is refused.
        LabelsFileError: a labelled set is refused.
    """
    taught = read_machine(machine)
    labels = read_labels(test, taught)
    if tune is not None:
        tuned: Sequence[LabelledShot] = read_labels(tune, taught)
        counted: Sequence[LabelledShot] = labels
        if common := {s.path.resolve() for s in tuned} & {s.path.resolve() for s in counted}:
            raise UsageError(f"{sorted(common)[0]} is in {tune} and in {test}; keep them apart")
    else:
        tuned = labels[::TUNE_EVERY]
        counted = [shot for k, shot in enumerate(labels) if k % TUNE_EVERY]
    truth = test.with_name(test.name.replace("labels", "truth")).with_suffix(".jsonl")
    known = truth if truth.is_file() and truth != test else None
    return PhotoSet(group, taught, tuple(tuned), tuple(counted), known)


def default_sets(open_data: Path) -> list[PhotoSet]:
    """Return the demo machines that are there, and the board of screws where it is.

    Raises:
        UsageError: neither is there.
    """
    sets = []
    photos = demo_data_folder() / "photos"
    for folder in sorted(reference_images_folder().glob("*/machine.toml")):
        labels = photos / folder.parent.name
        if (labels / "labels-test.toml").is_file():
            tune, test = labels / "labels-tune.toml", labels / "labels-test.toml"
            sets.append(read_set(DEMO, folder.parent, tune, test))
    board = open_data / "screws4"
    if board.is_dir():
        sets.append(read_set(SCREWS, board, None, board / "labels.toml"))
    if not sets:
        raise UsageError(
            f"no demo machine at {reference_images_folder()} and no screw board at {board}; "
            "name a set with --set GROUP MACHINE TUNE TEST"
        )
    return sets


def thinned(photo_set: PhotoSet, limit: int | None) -> PhotoSet:
    """Return the set with at most ``limit`` photos in each part, spread evenly over it."""
    if limit is None:
        return photo_set
    return replace(
        photo_set, tune=spread(photo_set.tune, limit), test=spread(photo_set.test, limit)
    )


def spread(shots: Sequence[LabelledShot], limit: int) -> tuple[LabelledShot, ...]:
    """Return at most ``limit`` shots, evenly spread over the order that they stand in."""
    if len(shots) <= limit:
        return tuple(shots)
    return tuple(shots[k * len(shots) // limit] for k in range(limit))


def digest_of(shots: Sequence[LabelledShot]) -> str:
    """Return a number for which photos these are and what is said of them."""
    digest = hashlib.sha256()
    for shot in shots:
        size = shot.path.stat().st_size
        said = (shot.file, shot.view, sorted(shot.states.items()), sorted(shot.unlabelled), size)
        digest.update(repr((*said, shot.retake)).encode())
    return digest.hexdigest()
