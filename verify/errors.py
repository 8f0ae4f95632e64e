"""What can go wrong for a reason that a person can mend.

The tree::

    VerifyError                 any of them; the command line ends with ``exit_code``
    ├── UsageError              the command was given something that cannot work
    ├── BrokenFileError            a hand-written file breaks its rules; lists every broken one
    │   ├── MachineFileError    machine.toml, or a picture that it names
    │   └── LabelsFileError     a labelled set
    ├── PhotoError              a picture that cannot be read; carries a plain reason
    ├── ModelError              a network file is absent, damaged or not the one expected
    ├── TeachError              a machine folder is well formed, but cannot be taught
    ├── RefusedError            the rules of a rebuild, or a wrong PIN, forbid it
    ├── RecordBrokenError       a record is not as it was written; names the first broken entry
    └── StoreError              the database or the pictures cannot be reached or are too old

The message of each one is written for people and names the way out. All of them
survive pickling, so that they may cross from a worker process to its parent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

_SHOWN = 25  # problems printed of one file; all stay in ``problems``


class VerifyError(Exception):
    """Base of all errors that are told to a person instead of shown as a crash."""

    exit_code: ClassVar[int] = 2


class UsageError(VerifyError):
    """The command was given something that cannot work, such as a photo that is not there."""


@dataclass(frozen=True)
class Problem:
    """One broken rule of a file.

    Attributes:
        file: the file that has to be mended.
        line: line in it, counted from 1; None where the whole file is meant.
        key: where it stands, such as ``view[0].part[2].expect``; empty for the whole file.
        value: what is written there, as TOML writes it; None where nothing is written.
        rule: what is wrong, in words.
        allowed: what may stand there instead; empty where ``rule`` says it all.
    """

    file: Path
    line: int | None
    key: str
    value: str | None
    rule: str
    allowed: str = ""

    def __str__(self) -> str:
        where = [str(self.file)]
        if self.line is not None:
            where.append(f"line {self.line}")
        if self.key:
            where.append(self.key)
        text = f"{', '.join(where)}: "
        text += self.rule if self.value is None else f"{self.value} {self.rule}"
        return f"{text}; allowed: {self.allowed}" if self.allowed else text


class BrokenFileError(VerifyError):
    """A file breaks its rules. Carries every broken rule that was found, in order of lines.

    ``file``, ``line``, ``key``, ``value``, ``rule`` and ``allowed`` are those of the first one.
    """

    def __init__(self, problems: Sequence[Problem]) -> None:
        if not problems:
            raise ValueError("an error about a file needs at least one problem")
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__(self.problems)

    def __str__(self) -> str:
        lines = [str(problem) for problem in self.problems[:_SHOWN]]
        if len(self.problems) > _SHOWN:
            lines.append(f"… and {len(self.problems) - _SHOWN} more")
        return "\n".join(lines)

    @property
    def file(self) -> Path:
        """The file that has to be mended."""
        return self.problems[0].file

    @property
    def line(self) -> int | None:
        """The line of the first problem, counted from 1."""
        return self.problems[0].line

    @property
    def key(self) -> str:
        """Where the first problem stands."""
        return self.problems[0].key

    @property
    def value(self) -> str | None:
        """What is written there."""
        return self.problems[0].value

    @property
    def rule(self) -> str:
        """What is wrong with it."""
        return self.problems[0].rule

    @property
    def allowed(self) -> str:
        """What may stand there instead."""
        return self.problems[0].allowed


class MachineFileError(BrokenFileError):
    """A machine folder is refused as a whole."""


class LabelsFileError(BrokenFileError):
    """A labelled set is refused as a whole."""


class PhotoError(VerifyError):
    """A picture cannot be read.

    Attributes:
        photo: the picture, as it was given.
        reason: why, in plain words, such as ``the file is empty``.
    """

    def __init__(self, photo: str | Path, reason: str) -> None:
        self.photo = str(photo)
        self.reason = reason
        super().__init__(self.photo, reason)

    def __str__(self) -> str:
        return f"{self.photo}: {self.reason}"


class ModelError(VerifyError):
    """A network file is absent, damaged, or not the one that the product was built with."""


class TeachError(VerifyError):
    """A machine folder is well formed, but its pictures cannot teach what it asks for."""


class RefusedError(VerifyError):
    """The rules do not allow what was asked for; nothing was changed.

    Attributes:
        code: which rule, as a short word that does not change, such as ``own-work``.
    """

    exit_code = 5

    def __init__(self, code: str, message: str) -> None:
        self.code = code
        self.message = message
        super().__init__(code, message)

    def __str__(self) -> str:
        return self.message


class RecordBrokenError(VerifyError):
    """A record is not as it was written."""

    exit_code = 6


class StoreError(VerifyError):
    """The database, the key or the pictures cannot be reached, or need another version."""
