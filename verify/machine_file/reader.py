"""From ``machine.toml`` to a ``Machine``, refusing whatever breaks a rule.

What the format leaves open is decided here:

- Names of states and ``alike`` words are any name on one line; ids are held to a-z, 0-9 and '-'.
- ``unknown`` is never a state to be taught: it is what the tool says by itself.
- ``displaced`` may be taught as a fault whose ``how`` is ``displaced``, which is then its
  default; it cannot be what a part is expected to be.
- A picture may serve several views, but only one shot of each.
- A corner lies inside a picture if it lies on one of its pixels: from -0.5 to the width - 0.5.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from posixpath import normpath
from typing import TypeVar

from verify.domain import (
    DISPLACED_STATE,
    Fault,
    How,
    Machine,
    Outline,
    Part,
    Severity,
    Shot,
    Symmetry,
    Text,
    View,
)
from verify.errors import MachineFileError, Problem
from verify.machine_file import geometry, pictures
from verify.machine_file.doubles import refuse_doubles
from verify.machine_file.paths import KeyPath
from verify.machine_file.shots import read_said
from verify.machine_file.source import Source, decode, read_bytes
from verify.machine_file.steps import read_steps
from verify.machine_file.table import Table

MACHINE_FILE = "machine.toml"

_Seen = TypeVar("_Seen")


def read_machine(folder: Path) -> Machine:
    """Return the machine that a folder teaches.

    Pictures are looked at as far as their headers; their pixels are not decoded.

    Raises:
        MachineFileError: with every broken rule that was found, each on its line.
    """
    return parse_machine(read_machine_bytes(folder), folder)


def read_machine_bytes(folder: Path) -> bytes:
    """Return the bytes of a folder's ``machine.toml``, unchecked.

    Raises:
        MachineFileError: there is no such folder or file.
    """
    if not folder.is_dir():
        rule = "is not a folder" if folder.exists() else "there is no such folder"
        allowed = f"a folder with {MACHINE_FILE} and its pictures"
        raise MachineFileError([Problem(folder, None, "", None, rule, allowed)])
    return read_bytes(folder / MACHINE_FILE, MachineFileError)


def parse_machine(raw: bytes, folder: Path) -> Machine:
    """Return the machine that bytes teach when they stand in ``machine.toml`` of a folder.

    Raises:
        MachineFileError: as ``read_machine``.
    """
    file = folder / MACHINE_FILE
    text = decode(raw, file, MachineFileError)
    source = Source(text, file, MachineFileError)
    top = Table(source, source.data)
    top.format()
    head = top.table("machine", "[machine] with id and title", required=True)
    views = top.tables("view", required=True)
    step_tables = top.tables("step")
    top.finish()
    read = tuple(_view(table, folder) for table in views)
    refuse_doubles(source, "id", ((t.path, v.id) for t, v in zip(views, read, strict=True)))
    steps = read_steps(step_tables, frozenset(view.id for view in read)) if step_tables else ()
    machine_id, title = _head(head)
    source.finish()
    return Machine(id=machine_id, title=title, folder=folder, views=read, steps=steps)


def _head(table: Table | None) -> tuple[str, Text]:
    if table is None:
        return "", Text({"": ""})
    head = table.id("id"), table.text("title")
    table.finish()
    return head


def _view(table: Table, folder: Path) -> View:
    view_id, title, ask = table.id("id"), table.text("title"), table.text("ask")
    master, size = _master(table, folder)
    mm_per_px = table.number("mm_per_px", "millimetres per pixel, more than 0")
    if mm_per_px is not None and mm_per_px <= 0:
        table.problem("mm_per_px", "is not more than 0", "millimetres per pixel, more than 0")
    body = _outline(table, "body", size, required=False)
    parts = _parts(table, size)
    view = View(
        id=view_id,
        title=title,
        ask=ask,
        master=master,
        size=size or (0, 0),
        parts=parts,
        mm_per_px=mm_per_px,
        body=body,
    )
    shot_tables = table.tables("shot")
    shots = tuple(_shot(shot, view, folder) for shot in shot_tables)
    names = [((*table.path, "master"), master)]
    names += [(t.path, shot.file) for t, shot in zip(shot_tables, shots, strict=True)]
    refuse_doubles(table.source, "file", ((path, name and normpath(name)) for path, name in names))
    table.finish()
    return View(**{**vars(view), "shots": shots})


def _master(table: Table, folder: Path) -> tuple[str, tuple[int, int] | None]:
    """Return name and size of the master; no size where it is not the picture's own."""
    allowed = '{ file = "…", size = [width, height] }'
    master = table.table("master", allowed, required=True)
    if master is None:
        return "", None
    name, size = master.file("file"), master.size("size")
    master.finish()
    real = _check_file(master, folder, name, pictures.upright_size)
    if size is not None and real is not None and size != real:
        master.problem(
            "size", "is not the size of the picture as a person sees it", f"{list(real)}"
        )
        return name or "", None
    return name or "", size


def _check_file(
    table: Table, folder: Path, name: str | None, look: Callable[[Path], _Seen]
) -> _Seen | None:
    """Return what a look at the picture under ``file`` gives, or None after a problem."""
    if name is None:
        return None
    if rule := pictures.misplaced(name):
        table.problem("file", rule, "a path relative to the machine folder")
        return None
    if not pictures.inside(folder, name):
        table.problem("file", "lies outside the machine folder", "a picture in the folder")
        return None
    try:
        return look(folder / name)
    except FileNotFoundError:
        table.problem("file", "does not exist", "a picture in the folder")
    except OSError as broken:
        table.problem("file", f"cannot be read: {broken.strerror}", "a picture in the folder")
    except ValueError as broken:
        table.problem("file", str(broken), f"a picture: {pictures.KINDS}")
    return None


def _outline(
    table: Table, key: str, size: tuple[int, int] | None, *, required: bool
) -> Outline | None:
    outline = table.corners(key, required=required)
    if outline is None:
        return None
    if size is not None:
        right, bottom = size[0] - 0.5, size[1] - 0.5
        allowed = f"x from -0.5 to {right}, y from -0.5 to {bottom}"
        for number, (x, y) in enumerate(outline):
            if not (-0.5 <= x <= right and -0.5 <= y <= bottom):
                table.problem((key, number), "lies outside the master", allowed)
    if crossing := geometry.first_crossing(outline):
        first, second = crossing
        rule = f"crosses itself: the edges after corners {first} and {second} (from 0) meet"
        table.problem(key, rule, "corners in order around the outline")
    elif geometry.double_area(outline) == 0:
        table.problem(key, "encloses no area", "3 or more corners that are not on one line")
    return outline


def _parts(view: Table, size: tuple[int, int] | None) -> tuple[Part, ...]:
    tables = view.tables("part", required=True)
    parts = tuple(_part(table, size) for table in tables)
    refuse_doubles(view.source, "id", ((t.path, p.id) for t, p in zip(tables, parts, strict=True)))
    ids = {part.id for part in parts}
    for table, part in zip(tables, parts, strict=True):
        _check_twins(table, part, ids)
    return parts


def _check_twins(table: Table, part: Part, ids: set[str]) -> None:
    others = ", ".join(sorted(ids - {part.id})) or "none: this view has no other part"
    for number, fault in enumerate(part.faults):
        path: KeyPath = ("fault", number, "with")
        if fault.with_part == part.id:
            table.problem(path, "is the part itself", others)
        elif fault.with_part is not None and fault.with_part not in ids:
            table.problem(path, "is not a part of this view", others)


def _part(table: Table, size: tuple[int, int] | None) -> Part:
    expect = table.state("expect")
    if expect == DISPLACED_STATE:
        table.problem("expect", "is a fault by its meaning", "another name")
    tables = table.tables("fault")
    faults = tuple(_fault(fault) for fault in tables)
    states = [(t.path, f.state) for t, f in zip(tables, faults, strict=True)]
    refuse_doubles(table.source, "state", states)
    for path, state in states:
        if state == expect and state:
            table.source.problem(
                (*path, "state"), "is also what the part is expected to be", "another name"
            )
    part = Part(
        id=table.id("id"),
        title=table.text("title"),
        outline=_outline(table, "outline", size, required=True) or (),
        expect=expect,
        severity=table.choice("severity", Severity, Severity.STOP),
        alike=table.word("alike", required=False),
        symmetry=frozenset(map(Symmetry, table.words("symmetry", Symmetry, "symmetries"))),
        faults=faults,
    )
    table.finish()
    return part


def _fault(table: Table) -> Fault:
    state = table.state("state")
    is_displaced = state == DISPLACED_STATE
    how = table.choice("how", How, How.DISPLACED if is_displaced else How.OTHER)
    if is_displaced and how is not How.DISPLACED:
        table.problem("how", "does not fit the state 'displaced'", '"displaced"')
    turn_deg = table.number("turn_deg", "degrees, not a whole turn")
    if turn_deg is not None and turn_deg % 360 == 0:
        table.problem("turn_deg", "is no turn at all", "degrees, not a whole turn")
    if "turn_deg" in table and how is not How.TURNED:
        table.problem("turn_deg", "fits only a fault that is 'turned'", 'how = "turned"')
    with_part = table.word("with", required=False)
    if "with" in table and how is not How.SWAPPED:
        table.problem("with", "fits only a fault that is 'swapped'", 'how = "swapped"')
    fault = Fault(
        state=state,
        how=how,
        fix=table.optional_text("fix"),
        turn_deg=turn_deg,
        with_part=with_part,
    )
    table.finish()
    return fault


def _shot(table: Table, view: View, folder: Path) -> Shot:
    name = table.file("file")
    _check_file(table, folder, name, pictures.check_picture)
    states, unlabelled = read_said(table, view)
    table.finish()
    return Shot(file=name or "", states=states, unlabelled=unlabelled)
