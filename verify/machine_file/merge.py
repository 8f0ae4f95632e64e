"""Bringing a ``machine.toml`` up to what a machine should be, without losing a comment.

Only what differs is written. Where a key would have to go, which no change of a text can do
safely, its table is written anew behind the others, so the order may change; the plan of a
rebuild and the head of the file are left to people.
"""

from __future__ import annotations

from dataclasses import replace

from verify.domain import Machine, Part, Shot, View
from verify.errors import MachineFileError, Problem
from verify.machine_file import plain
from verify.machine_file.editor import MachineFile
from verify.machine_file.reader import MACHINE_FILE


def bring_up_to(opened: MachineFile, wanted: Machine) -> None:
    """Change an opened file until it teaches the views that are wanted; nothing is saved.

    Raises:
        MachineFileError: the text is laid out so that it has to be changed by hand.
    """
    now = {view.id: view for view in opened.machine.views}
    kept = {view.id for view in wanted.views}
    for view in wanted.views:
        if view.id not in now:
            opened.add_view(view)
        elif now[view.id] != view:
            _view(opened, now[view.id], view)
    for view_id in now.keys() - kept:
        opened.remove_view(view_id)
    if _in_any_order(opened.machine.views) != _in_any_order(wanted.views):
        rule = "is laid out so that it has to be changed by hand"
        raise MachineFileError([Problem(opened.folder / MACHINE_FILE, None, "", None, rule)])


def _view(opened: MachineFile, now: View, wanted: View) -> None:
    before, after = (_head(view) for view in (now, wanted))
    if before.keys() - after.keys():
        opened.remove_view(now.id)
        opened.add_view(wanted)
        return
    for key, value in after.items():
        if before.get(key) != value:
            opened.set_in_view(now.id, key, value)
    _shots(opened, now, wanted)
    _parts(opened, now, wanted)


def _head(view: View) -> plain.Plain:
    """Return what is said of a view itself, without its shots and parts."""
    table = plain.view_to_plain(view)
    return {key: value for key, value in table.items() if key not in ("shot", "part")}


def _shots(opened: MachineFile, now: View, wanted: View) -> None:
    before = {shot.file: shot for shot in now.shots}
    after = {shot.file: shot for shot in wanted.shots}
    for file, shot in before.items():
        if after.get(file) != shot:
            opened.remove_shot(now.id, file)
    for file, shot in after.items():
        if before.get(file) != shot:
            opened.add_shot(now.id, shot)


def _parts(opened: MachineFile, now: View, wanted: View) -> None:
    before = {part.id: part for part in now.parts}
    after = {part.id: part for part in wanted.parts}
    for part_id in before.keys() - after.keys():
        opened.remove_part(now.id, part_id)
    for part_id, part in after.items():
        if part_id not in before:
            opened.add_part(now.id, part)
        elif before[part_id] != part:
            _part(opened, now.id, before[part_id], part)


def _part(opened: MachineFile, view_id: str, now: Part, wanted: Part) -> None:
    before, after = (plain.part_to_plain(replace(part, faults=())) for part in (now, wanted))
    if before.keys() - after.keys():
        opened.remove_part(view_id, now.id)
        opened.add_part(view_id, wanted)
        return
    for key, value in after.items():
        if before.get(key) != value:
            opened.set_in_part(view_id, now.id, key, value)
    faults = {fault.state: fault for fault in wanted.faults}
    for fault in now.faults:
        if faults.get(fault.state) != fault:
            opened.remove_fault(view_id, now.id, fault.state)
    known = {fault.state: fault for fault in now.faults}
    for state, fault in faults.items():
        if known.get(state) != fault:
            opened.add_fault(view_id, now.id, fault)


def _in_any_order(views: tuple[View, ...]) -> dict[str, object]:
    def parts(view: View) -> dict[str, object]:
        return {
            part.id: (replace(part, faults=()), {fault.state: fault for fault in part.faults})
            for part in view.parts
        }

    def shots(view: View) -> dict[str, Shot]:
        return {
            shot.file: Shot(shot.file, dict(shot.states), shot.unlabelled) for shot in view.shots
        }

    return {
        view.id: (replace(view, parts=(), shots=()), parts(view), shots(view)) for view in views
    }
