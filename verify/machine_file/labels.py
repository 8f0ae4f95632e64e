"""From a labelled set to the photos whose truth is known, refusing whatever breaks a rule."""

from __future__ import annotations

from pathlib import Path
from posixpath import normpath

from verify.domain import DISPLACED_STATE, LabelledShot, Machine, RetakeReason, View
from verify.errors import LabelsFileError
from verify.machine_file import pictures
from verify.machine_file.shots import read_said
from verify.machine_file.source import Source, decode, read_bytes
from verify.machine_file.table import Table

# Any part can be the right thing outside its place, whether that was taught or not.
_ALWAYS = frozenset({DISPLACED_STATE})


def read_labels(path: Path, machine: Machine | None) -> tuple[LabelledShot, ...]:
    """Return the photos of a labelled set, in the order of the file.

    Their pictures must exist, but are not opened: a set may hold photos that must be refused.

    Args:
        path: the labels file; photos are named relative to it.
        machine: what views, parts and states are held against; None to leave that out.

    Raises:
        LabelsFileError: with every broken rule that was found, each on its line.
    """
    text = decode(read_bytes(path, LabelsFileError), path, LabelsFileError)
    source = Source(text, path, LabelsFileError)
    top = Table(source, source.data)
    top.format()
    tables = top.tables("shot", required=True)
    top.finish()
    shots = tuple(_shot(table, path.parent, machine) for table in tables)
    _refuse_double_photos(tables, shots)
    source.finish()
    return shots


def _shot(table: Table, folder: Path, machine: Machine | None) -> LabelledShot:
    name = table.file("file")
    if name is not None:
        _check_file(table, folder, name)
    view_id = table.id("view") if machine is None else table.word("view") or ""
    view = _view(table, view_id, machine)
    states, unlabelled = read_said(table, view, also=_ALWAYS)
    retake = _retake(table)
    if retake is not None and states:
        table.problem("retake", "is said of a photo that also has 'states'", "one of the two")
    table.finish()
    return LabelledShot(
        file=name or "",
        path=folder / (name or ""),
        view=view_id,
        states=states,
        unlabelled=unlabelled,
        retake=retake,
    )


def _check_file(table: Table, folder: Path, name: str) -> None:
    if rule := pictures.misplaced(name):
        table.problem("file", rule, "a path relative to this file")
    elif not (folder / name).is_file():
        table.problem("file", "does not exist", "a photo, relative to this file")


def _view(table: Table, view_id: str, machine: Machine | None) -> View | None:
    if machine is None or "view" not in table:
        return None
    for view in machine.views:
        if view.id == view_id:
            return view
    known = ", ".join(view.id for view in machine.views)
    table.problem("view", f"is not a view of the machine {machine.id}", known)
    return None


def _retake(table: Table) -> RetakeReason | None:
    if not table.has("retake"):
        return None
    return table.choice("retake", RetakeReason, RetakeReason.UNREADABLE)


def _refuse_double_photos(tables: list[Table], shots: tuple[LabelledShot, ...]) -> None:
    seen: set[tuple[str, str]] = set()
    for table, shot in zip(tables, shots, strict=True):
        photo = (normpath(shot.file), shot.view)
        if photo in seen and shot.file:
            table.problem("file", "is labelled before, for the same view", "each photo only once")
        seen.add(photo)
