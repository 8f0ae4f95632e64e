"""Machines taught and ready to judge; a machine folder that changed is taught anew."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from threading import BoundedSemaphore, Lock
from typing import TYPE_CHECKING

from verify.domain import Machine, Result
from verify.machine_file import read_machine

if TYPE_CHECKING:
    from verify.vision.pipeline import Checker

log = logging.getLogger("verify.web")

Teach = Callable[[Machine], Callable[[Path, str], Result]]


@dataclass(frozen=True)
class _Ready:
    stamp: tuple[int, int]
    machine: Machine
    judge: Callable[[Path, str], Result] | None


class Judges:
    """Judges photos for all machines. Threads share one; few photos are judged at a time.

    A folder is known again by the time and size of its ``machine.toml``: whoever adds a picture
    changes that file too.
    """

    def __init__(self, teach: Teach, at_a_time: int) -> None:
        """Take what teaches a machine; tests give something quicker.

        Args:
            teach: from a machine to a function that judges a photo of a view.
            at_a_time: how many photos are judged at the same time.
        """
        self.teach = teach
        self._ready: dict[Path, _Ready] = {}
        self._lock = Lock()
        self._folder_locks: dict[Path, Lock] = {}
        self._places = BoundedSemaphore(at_a_time)

    def machine(self, folder: Path) -> Machine:
        """Return the machine that a folder teaches, read anew only after a change.

        Raises:
            MachineFileError: the folder breaks a rule.
        """
        stamp = _stamp(folder)
        known = self._ready.get(folder)
        if known is not None and known.stamp == stamp:
            return known.machine
        machine = read_machine(folder)
        with self._lock:
            self._ready[folder] = _Ready(stamp, machine, None)
        return machine

    def judge(self, folder: Path, photo: Path, view: str) -> Result:
        """Judge a photo by what a folder teaches; it waits while others are judged.

        Raises:
            TeachError: the machine cannot be taught.
        """
        with self._places:
            return self._judge_of(folder)(photo, view)

    def warm_up(self, folder: Path) -> None:
        """Teach a machine before its first photo comes; what goes wrong is only noted."""
        try:
            self._judge_of(folder)
        except Exception as error:
            log.warning("%s cannot be taught: %s", folder, error)

    def _judge_of(self, folder: Path) -> Callable[[Path, str], Result]:
        with self._lock:
            lock = self._folder_locks.setdefault(folder, Lock())
        with lock:  # two photos of a cold machine teach it once
            machine = self.machine(folder)
            known = self._ready[folder]
            if known.judge is not None:
                return known.judge
            judge = self.teach(machine)
            with self._lock:
                self._ready[folder] = _Ready(known.stamp, machine, judge)
            return judge


def taught_by_pictures(cache: Path) -> Teach:
    """Return what teaches machines in earnest; the networks are loaded with the first one."""

    def teach(machine: Machine) -> Callable[[Path, str], Result]:
        from verify.vision.pipeline import Checker

        checker: Checker = Checker(machine, cache_dir=cache, threads=1)
        return lambda photo, view: checker.check(photo, view=view).result

    return teach


def _stamp(folder: Path) -> tuple[int, int]:
    try:
        found = (folder / "machine.toml").stat()
    except OSError:
        return (0, 0)  # reading it says what is wrong
    return found.st_mtime_ns, found.st_size
