"""Machines that are being set up: tried in the background, outlines carried over.

A try teaches the draft as crews' photos would be judged by it, each shot left out once. What it
found is kept beside the draft, with the mark of what was tried: after a change it is old.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from threading import Lock, Thread
from typing import TYPE_CHECKING, Any

from verify.domain import Machine
from verify.errors import VerifyError
from verify.machine_file.saving import replace_file
from verify.store.draft_use import as_folder
from verify.store.drafts import Draft, Drafts
from verify.teach_report import TeachReport, report_from_json, report_to_json

if TYPE_CHECKING:
    from verify.vision.carry import Carried

log = logging.getLogger("verify.web")

_TRIED = "tried.json"


@dataclass(frozen=True)
class Tools:
    """What looks at pictures; tests give something quicker.

    Attributes:
        teach: tries a machine on its own shots; is told of each picture that is looked at.
        carry: lays the outlines of a view of a machine over a photo of another one; None where
            the machine is not found in it.
    """

    teach: Callable[[Machine, Callable[[str], None]], TeachReport]
    carry: Callable[[Machine, str, Path], Carried | None]


@dataclass(frozen=True)
class Attempt:
    """One try of a draft.

    Attributes:
        state: ``running``, ``ready`` or ``failed``.
        mark: of the draft that was tried.
        done, total: pictures looked at so far, of all.
        report: what was found; None before it is ready.
        problem: why it failed.
    """

    state: str
    mark: str
    done: int = 0
    total: int = 0
    report: TeachReport | None = None
    problem: str = ""


class Workshop:
    """Drafts, and what is done with them. Threads share one; one draft is tried at a time."""

    def __init__(self, drafts: Drafts, machines: Path, tools: Tools) -> None:
        """Take the places and the tools.

        Args:
            drafts: where they are kept.
            machines: folder that new machine folders are written into.
            tools: look at pictures.
        """
        self.drafts, self.machines, self.tools = drafts, machines, tools
        self._going: dict[str, Attempt] = {}
        self._lock, self._turn = Lock(), Lock()

    def attempt(self, draft: Draft) -> Attempt | None:
        """Return the last try of a draft; None if there was none."""
        with self._lock:
            known = self._going.get(draft.id)
        return known or _kept(draft)

    def begin(self, draft: Draft) -> None:
        """Try a draft in the background, unless that is going on.

        Raises:
            UsageError: something is still missing.
            MachineFileError: it breaks a rule of the format.
        """
        machine = as_folder(draft)
        total = sum(len(view.all_shots) for view in machine.views)
        with self._lock:
            known = self._going.get(draft.id)
            if known is not None and known.state == "running":
                return
            self._going[draft.id] = Attempt("running", draft.mark, 0, total)
        Thread(target=self._run, args=(draft, machine, total), daemon=True).start()

    def forget(self, draft_id: str) -> None:
        """Drop what is known of the tries of a draft that is gone."""
        with self._lock:
            self._going.pop(draft_id, None)

    def _run(self, draft: Draft, machine: Machine, total: int) -> None:
        seen: set[str] = set()

        def progress(told: str) -> None:
            seen.add(told)
            self._put(draft.id, Attempt("running", draft.mark, min(len(seen), total), total))

        try:
            with self._turn:
                report = self.tools.teach(machine, progress)
            plain = {"mark": draft.mark, "report": report_to_json(report)}
            replace_file(draft.machine.folder / _TRIED, json.dumps(plain).encode())
            self._put(draft.id, Attempt("ready", draft.mark, total, total, report))
        except VerifyError as error:
            self._put(draft.id, Attempt("failed", draft.mark, problem=str(error)))
        except Exception:
            log.exception("a set-up could not be tried")
            self._put(draft.id, Attempt("failed", draft.mark))

    def _put(self, draft_id: str, attempt: Attempt) -> None:
        with self._lock:
            self._going[draft_id] = attempt


def tools_by_pictures(cache: Path) -> Tools:
    """Return the tools that work in earnest; the networks are loaded when first used."""

    def teach(machine: Machine, progress: Callable[[str], None]) -> TeachReport:
        from verify.vision.teach import teach as teach_and_try

        return teach_and_try(machine, cache_dir=cache, progress=progress)

    def carry(machine: Machine, view: str, photo: Path) -> Carried | None:
        from verify.vision.carry import carry as carry_over

        return carry_over(machine, view, photo, cache_dir=cache, threads=1)

    return Tools(teach, carry)


def _kept(draft: Draft) -> Attempt | None:
    try:
        plain: Any = json.loads((draft.machine.folder / _TRIED).read_bytes())
        report = report_from_json(plain["report"])
        return Attempt("ready", str(plain["mark"]), report=report)
    except (OSError, ValueError, KeyError, TypeError):  # none, or of an older version
        return None
