"""From a flagged part to a reference shot: tried on all labelled photos before it is used.

A trial copies the machine folder, adds the shot to the copy, teaches it, and judges every photo
of which managers have said something, with the folder as it is and with the copy. Only that one
part of the new shot is vouched for. The copy is thrown away; what is used is written anew.
"""

from __future__ import annotations

import logging
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Lock, Thread

from verify.domain import LabelledShot, Machine, Result, Shot, View
from verify.errors import UsageError, VerifyError
from verify.machine_file import read_machine
from verify.machine_file.editor import MachineFile
from verify.machine_file.saving import replace_file
from verify.score import score
from verify.store.pictures import Pictures
from verify.store.reviews import Flagged, Said
from verify.web.judging import Teach

log = logging.getLogger("verify.web")

MOST = 40  # labelled photos that are tried, the newest
_ENDINGS = {"jpeg": ".jpg", "png": ".png", "webp": ".webp", "heif": ".heic", "avif": ".avif"}

Key = tuple[str, int, str]


@dataclass(frozen=True)
class Counts:
    """How a folder did on the labelled photos."""

    missed: int
    wrong: int
    alarms: int
    right: int


@dataclass(frozen=True)
class Trial:
    """One try of a new shot.

    Attributes:
        state: ``running``, ``ready``, ``used`` or ``failed``.
        done, total: photos judged so far, of all.
        before, after: None where there is nothing to compare, or not yet.
        problem: why it failed.
    """

    state: str
    done: int = 0
    total: int = 0
    before: Counts | None = None
    after: Counts | None = None
    problem: str = ""


class Trials:
    """Trials by the part that they are about, one at a time; they are forgotten at the end."""

    def __init__(self, teach: Teach) -> None:
        self._teach = teach
        self._known: dict[Key, Trial] = {}
        self._lock, self._turn = Lock(), Lock()

    def get(self, key: Key) -> Trial | None:
        """Return a trial, or None."""
        return self._known.get(key)

    def start(
        self, flagged: Flagged, folder: Path, labelled: Sequence[Flagged], pictures: Pictures
    ) -> None:
        """Begin a trial in the background; one that is going on, or is ready, stays.

        Args:
            flagged: the part, of which it was said whether it is right.
            folder: of the machine.
            labelled: all parts of the machine of which something was said.
            pictures: where the photos are.
        """
        key = key_of(flagged)
        with self._lock:
            known = self._known.get(key)
            if known is not None and known.state in ("running", "ready"):
                return
            self._known[key] = Trial("running")
        work = (flagged, folder, labelled, pictures)
        Thread(target=self._run, args=work, daemon=True).start()

    def used(self, key: Key) -> None:
        """Note that the shot of a trial is in use."""
        trial = self._known.get(key) or Trial("used")
        self._put(key, Trial("used", before=trial.before, after=trial.after))

    def _put(self, key: Key, trial: Trial) -> None:
        with self._lock:
            self._known[key] = trial

    def _run(
        self, flagged: Flagged, folder: Path, labelled: Sequence[Flagged], pictures: Pictures
    ) -> None:
        key = key_of(flagged)
        try:
            with self._turn, tempfile.TemporaryDirectory() as place:
                self._try(key, flagged, folder, labelled, pictures, Path(place))
        except VerifyError as error:
            self._put(key, Trial("failed", problem=str(error)))
        except Exception:
            log.exception("a trial failed")
            self._put(key, Trial("failed"))

    def _try(
        self,
        key: Key,
        flagged: Flagged,
        folder: Path,
        labelled: Sequence[Flagged],
        pictures: Pictures,
        place: Path,
    ) -> None:
        copy = place / "machine"
        shutil.copytree(folder, copy)
        add_shot(copy, flagged, pictures)
        taught = {shot.file for view in read_machine(folder).views for shot in view.all_shots}
        photos = [p for p in labels_of(labelled, read_machine(folder), pictures, place)
                  if p.file != flagged.sha256 and not _is_taught(p.file, taught)]  # fmt: skip
        photos = photos[:MOST]
        done = 0
        counts = []
        for machine in (read_machine(folder), read_machine(copy)):
            judge = self._teach(machine)
            results = []
            for photo in photos:
                results.append(judge(photo.path, photo.view))
                done += 1
                self._put(key, Trial("running", done, 2 * len(photos)))
            counts.append(_count(photos, results))
        before, after = counts
        told = bool(photos)
        self._put(
            key,
            Trial("ready", done, done, before if told else None, after if told else None),
        )


def key_of(flagged: Flagged) -> Key:
    """Return what a trial is known by."""
    return flagged.rebuild, flagged.entry, flagged.part


def file_of(flagged: Flagged, content: bytes) -> str:
    """Return what the picture of a new shot is called in the machine folder."""
    from verify.vision.read import read_content

    ending = _ENDINGS[read_content(content, Path("photo"), max_side=200).format.value]
    return f"{flagged.view}/seen-{flagged.sha256[:12]}-{flagged.part}{ending}"


def add_shot(folder: Path, flagged: Flagged, pictures: Pictures) -> Machine:
    """Add a flagged part to a machine folder as a reference shot; only that part is vouched for.

    Raises:
        UsageError: nobody has said what it shows, or it is there already.
        MachineFileError: the folder breaks a rule, or somebody else has changed it meanwhile.
    """
    view = _view(read_machine(folder), flagged.view)
    states = _states(flagged, view)
    content = pictures.get(flagged.sha256)
    file = file_of(flagged, content)
    if any(shot.file == file for shot in view.shots):
        raise UsageError("this part of this photo is a reference shot already")
    others = frozenset(part.id for part in view.parts if part.id != flagged.part)
    opened = MachineFile.open(folder)
    replace_file(folder / file, content)
    opened.add_shot(view.id, Shot(file, states, others))
    return opened.save()


def labels_of(
    labelled: Sequence[Flagged], machine: Machine, pictures: Pictures, place: Path
) -> list[LabelledShot]:
    """Return the photos of which managers have said something, with what they said.

    Args:
        labelled: flagged parts, the newest photo first.
        machine: as it is taught now.
        pictures: where the photos are.
        place: folder into which they are written; each is named by its SHA-256.
    """
    by_photo: dict[str, list[Flagged]] = {}
    for flagged in labelled:
        if flagged.said in (Said.REAL, Said.FALSE_ALARM):
            by_photo.setdefault(flagged.sha256, []).append(flagged)
    found = []
    for digest, parts in by_photo.items():
        view = next((v for v in machine.views if v.id == parts[0].view), None)
        if view is None:
            continue
        states: dict[str, str] = {}
        for part in parts:
            states |= _states(part, view, unknown="unknown")
        known = {part.part for part in parts}
        path = place / digest
        path.write_bytes(pictures.get(digest))
        others = frozenset(p.id for p in view.parts if p.id not in known)
        found.append(LabelledShot(digest, path, view.id, states, others))
    return found


def _is_taught(digest: str, files: set[str]) -> bool:
    return any(f"seen-{digest[:12]}" in file for file in files)


def _states(flagged: Flagged, view: View, unknown: str = "") -> Mapping[str, str]:
    if flagged.said is Said.FALSE_ALARM:
        return {}
    if flagged.said is not Said.REAL:
        raise UsageError("say first whether this part is right or wrong")
    part = next((p for p in view.parts if p.id == flagged.part), None)
    state = flagged.state or unknown
    if part is not None and part.fault(state) is None and not unknown:
        allowed = ", ".join(fault.state for fault in part.faults) or "none"
        raise UsageError(f"say which state it is in; this part is taught: {allowed}")
    return {flagged.part: state}


def _view(machine: Machine, view_id: str) -> View:
    for view in machine.views:
        if view.id == view_id:
            return view
    raise UsageError(f"the machine no longer has the view '{view_id}'")


def _count(photos: Sequence[LabelledShot], results: Sequence[Result]) -> Counts:
    counts = score(photos, results).overall.parts
    return Counts(
        counts.missed.count, counts.missed.total, counts.false_alarm.count, counts.false_alarm.total
    )
