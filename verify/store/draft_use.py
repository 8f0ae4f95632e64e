"""From a draft to a machine that crews use: written as a whole, registered, noted."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

from verify.domain import Machine
from verify.errors import StoreError, UsageError
from verify.machine_file import MACHINE_FILE, read_machine
from verify.machine_file.editor import MachineFile, write_machine
from verify.machine_file.merge import bring_up_to
from verify.machine_file.plain import machine_to_plain, to_toml
from verify.machine_file.saving import replace_file
from verify.store.draft_edits import lacks, slug
from verify.store.drafts import Draft
from verify.store.sites import KnownMachine, Sites


def as_folder(draft: Draft) -> Machine:
    """Return a draft as the machine that it will be, read strictly from its own folder.

    Raises:
        UsageError: something is still missing.
        MachineFileError: it breaks a rule of the format.
    """
    if lack := next(lacks(draft), None):
        raise UsageError(f"this set-up still lacks something: {lack[0].value} {lack[1]}".rstrip())
    folder = draft.machine.folder
    replace_file(folder / MACHINE_FILE, to_toml(machine_to_plain(draft.machine)).encode())
    return read_machine(folder)


def use(draft: Draft, machines: Path, sites: Sites, *, by: str) -> KnownMachine:
    """Let crews use what was set up: a new machine, or a new version of a known one.

    Args:
        draft: nothing may be missing.
        machines: folder that new machine folders are written into.
        sites: where machines are registered.
        by: who says so.

    Raises:
        UsageError: something is missing, or there is no such store.
        MachineFileError: it breaks a rule, or somebody changed the machine meanwhile.
        RefusedError: this person may not.
        StoreError: the folder cannot be written to.
    """
    wanted = as_folder(draft)
    if draft.changes and draft.source is not None:
        known = sites.machine(draft.source)
        sites.require_setting_up(known.store, by=by)
        try:
            _bring_up(known.folder, wanted)
        except OSError as error:
            raise StoreError(f"{known.folder} cannot be written: {error.strerror}") from error
        sites.note_changed(known.id, draft.mark, by=by)
        return known
    sites.require_setting_up(draft.store, by=by)
    return _register(draft, wanted, machines, sites, by)


def _register(draft: Draft, wanted: Machine, machines: Path, sites: Sites, by: str) -> KnownMachine:
    taken = {machine.id for machine in sites.machines()}
    taken |= {path.name for path in machines.glob("*")}  # what was left by a power cut stays
    machine_id = slug(wanted.id, taken, "machine")
    folder = machines / machine_id
    try:
        folder.mkdir(parents=True)
        _copy_pictures(wanted, folder)
        write_machine(replace(wanted, id=machine_id, folder=folder), folder)
        return sites.add_machine(folder, draft.store, number=draft.number, by=by)
    except OSError as error:
        shutil.rmtree(folder, ignore_errors=True)
        raise StoreError(f"{folder} cannot be written: {error.strerror}") from error
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise


def _bring_up(folder: Path, wanted: Machine) -> None:
    opened = MachineFile.open(folder)
    _copy_pictures(wanted, folder)
    bring_up_to(opened, wanted)
    opened.save()


def _copy_pictures(machine: Machine, folder: Path) -> None:
    """Copy the pictures that a machine names and a folder lacks; none is ever written over."""
    for name in sorted({shot.file for view in machine.views for shot in view.all_shots}):
        path = folder / name
        if not path.exists():
            path.parent.mkdir(parents=True, exist_ok=True)
            replace_file(path, (machine.folder / name).read_bytes())
