"""Writing machine folders: new ones, and changes that keep what people wrote."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any, Self

from verify.domain import Fault, Machine, Outline, Part, Shot, View
from verify.errors import MachineFileError, Problem, UsageError
from verify.machine_file import plain, splice
from verify.machine_file.paths import KeyPath, show_path
from verify.machine_file.reader import MACHINE_FILE, parse_machine, read_machine_bytes
from verify.machine_file.saving import replace_file

_BOM = b"\xef\xbb\xbf"


def write_machine(machine: Machine, folder: Path) -> Machine:
    """Write ``machine.toml`` into a folder that holds the machine's pictures, but no such file.

    Returns:
        The machine as it is read back; its ``folder`` is the one given.

    Raises:
        MachineFileError: the folder has a ``machine.toml``, or the machine breaks a rule. Nothing
            is written then.
    """
    file = folder / MACHINE_FILE
    if file.exists():
        raise _error(folder, "is there already; open it to change it")
    raw = plain.to_toml(plain.machine_to_plain(machine)).encode()
    written = parse_machine(raw, folder)
    replace_file(file, raw)
    return written


class MachineFile:
    """A ``machine.toml`` that is being changed.

    Every character that a change does not concern stays: comments, order, line breaks, and
    tables that are not looked into here. Nothing reaches the disk before ``save``. Ids that are
    not there are refused at once (``UsageError``); whether what was added obeys the rules of the
    format is told by ``machine`` and ``save``.

    Attributes:
        folder: the machine folder.
        text: the text as it stands now.
    """

    def __init__(self, folder: Path, raw: bytes) -> None:
        self.folder = folder
        self.text = raw.removeprefix(_BOM).decode()
        self._on_disk = raw

    @classmethod
    def open(cls, folder: Path) -> Self:
        """Open the file of a machine folder.

        Raises:
            MachineFileError: the folder breaks a rule as it stands.
        """
        raw = read_machine_bytes(folder)
        parse_machine(raw, folder)
        return cls(folder, raw)

    @property
    def machine(self) -> Machine:
        """The machine as the text now teaches it.

        Raises:
            MachineFileError: the text breaks a rule.
        """
        return parse_machine(self._encoded(), self.folder)

    def add_view(self, view: View) -> None:
        """Add a view behind the others, with its parts and shots."""
        self._change((), splice.append_table, "view", plain.view_to_plain(view))

    def add_shot(self, view_id: str, shot: Shot) -> None:
        """Add a reference shot to a view; its picture must be in the folder by then."""
        self._change(self._view(view_id), splice.append_table, "shot", plain.shot_to_plain(shot))

    def remove_shot(self, view_id: str, file: str) -> None:
        """Take a reference shot out of a view; its picture stays in the folder."""
        view = self._view(view_id)
        number = self._number(view, "shot", "file", file)
        self._change(view, splice.remove_table, "shot", number)

    def add_part(self, view_id: str, part: Part) -> None:
        """Add a part to a view."""
        self._change(self._view(view_id), splice.append_table, "part", plain.part_to_plain(part))

    def add_fault(self, view_id: str, part_id: str, fault: Fault) -> None:
        """Add a state that a part can be caught in."""
        path = self._part(view_id, part_id)
        self._change(path, splice.append_table, "fault", plain.fault_to_plain(fault))

    def set_outline(self, view_id: str, part_id: str, outline: Outline) -> None:
        """Draw a part's outline anew."""
        path = self._part(view_id, part_id)
        self._change(path, splice.set_value, "outline", plain.outline_to_plain(outline))

    def set_body(self, view_id: str, outline: Outline) -> None:
        """Draw the outline of the rigid thing that a view's parts sit on."""
        path = self._view(view_id)
        self._change(path, splice.set_value, "body", plain.outline_to_plain(outline))

    def set_in_view(self, view_id: str, key: str, value: object) -> None:
        """Say one thing of a view itself anew, such as its ``title``, as plain values."""
        self._change(self._view(view_id), splice.set_value, key, value)

    def set_in_part(self, view_id: str, part_id: str, key: str, value: object) -> None:
        """Say one thing of a part itself anew, such as what to ``expect``, as plain values."""
        self._change(self._part(view_id, part_id), splice.set_value, key, value)

    def remove_view(self, view_id: str) -> None:
        """Take a view out, with its parts and shots."""
        self._change((), splice.remove_table, "view", self._number((), "view", "id", view_id))

    def remove_part(self, view_id: str, part_id: str) -> None:
        """Take a part out of a view, with its faults."""
        view = self._view(view_id)
        self._change(view, splice.remove_table, "part", self._number(view, "part", "id", part_id))

    def remove_fault(self, view_id: str, part_id: str, state: str) -> None:
        """Take out a state that a part can be caught in."""
        part = self._part(view_id, part_id)
        number = self._number(part, "fault", "state", state)
        self._change(part, splice.remove_table, "fault", number)

    def save(self) -> Machine:
        """Check the text, then put it in the place of the file, as a whole or not at all.

        Returns:
            The machine as it is now taught.

        Raises:
            MachineFileError: the text breaks a rule, or somebody else changed the file since it
                was opened. The file is as it was.
        """
        machine = self.machine
        if read_machine_bytes(self.folder) != self._on_disk:
            raise _error(self.folder, "was changed by somebody else; open it again")
        raw = self._encoded()
        replace_file(self.folder / MACHINE_FILE, raw)
        self._on_disk = raw
        return machine

    def _encoded(self) -> bytes:
        mark = _BOM if self._on_disk.startswith(_BOM) else b""
        return mark + self.text.encode()

    def _view(self, view_id: str) -> KeyPath:
        return ("view", self._number((), "view", "id", view_id))

    def _part(self, view_id: str, part_id: str) -> KeyPath:
        view = self._view(view_id)
        return (*view, "part", self._number(view, "part", "id", part_id))

    def _number(self, table: KeyPath, array: str, key: str, wanted: str) -> int:
        """Return the place, in an array of tables, of the one with that value of a key."""
        holder: Any = tomllib.loads(self.text)
        for step in table:
            holder = holder[step]
        values = [item[key] for item in holder.get(array, ())]
        if wanted not in values:
            known = ", ".join(values) or "none"
            file = self.folder / MACHINE_FILE
            raise UsageError(f"{file}: there is no {array} '{wanted}'; there are: {known}")
        return values.index(wanted)

    def _change(self, table: KeyPath, change: Callable[..., str], key: str, what: object) -> None:
        try:
            self.text = change(self.text, table, key, what)
        except splice.LayoutError as reason:
            where = show_path((*table, key))
            rule = f"is laid out so that it has to be changed by hand at {where}: {reason}"
            raise _error(self.folder, rule) from reason


def _error(folder: Path, rule: str) -> MachineFileError:
    return MachineFileError([Problem(folder / MACHINE_FILE, None, "", None, rule)])
