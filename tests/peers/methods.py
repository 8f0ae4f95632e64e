"""The methods that are held beside each other, by name, and what each of them needs."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.peers.looks import SeenShot
from tests.peers.patches import KeyPointRegistrar, Places, at_home, body_of, places_from_outlines
from tests.peers.said import PartSaid, Said
from verify.domain import LabelledShot, Machine, View
from verify.errors import PhotoError
from verify.result_json import result_to_json
from verify.vision.prepare import READ_SIDE
from verify.vision.read import Photo, read_photo

ANCHORS = 4  # right shots that key points are registered over
Tell = Callable[[str], None]


@dataclass(frozen=True)
class Method:
    """One way to do the job.

    Attributes:
        title: for tables and plots.
        place: ``tool`` (places that this tool found), ``points`` (key points) or ``none``
            (searches the whole photo; this tool places its reference shots).
        right_alone: learns from right shots alone, whatever else there is.
    """

    title: str
    place: str = "none"
    right_alone: bool = False


TOOL = "tool"
METHODS: Mapping[str, Method] = {
    TOOL: Method("this tool"),
    "template": Method("template search, whole photo"),
    "memory": Method("patch memory, whole photo", right_alone=True),
    "ssim-points": Method("SSIM, key points", "points"),
    "ssim": Method("SSIM, placed by this tool", "tool"),
    "hog-points": Method("HOG + SVM, key points", "points"),
    "hog": Method("HOG + SVM, placed by this tool", "tool"),
    "nearest": Method("nearest neighbour, placed by this tool", "tool"),
}

Known = Mapping[tuple[str, str], Said]  # by view and file: what this tool said


class ToolJudge:
    """This tool, as a user runs it; the view of each photo is named."""

    def __init__(self, machine: Machine, threads: int, tell: Tell) -> None:
        from verify.vision.pipeline import Checker

        self.checker = Checker(machine, threads=threads, progress=tell)

    def judge(self, shot: LabelledShot) -> Said:
        started = time.perf_counter()
        result = self.checker.check(shot.path, given_name=shot.file, view=shot.view).result
        ms = (time.perf_counter() - started) * 1000
        parts = {
            part.id: PartSaid(
                part.p_right, "unknown" if part.found in {None, part.expected} else str(part.found)
            )
            for part in result.parts
        }
        return Said(shot.file, shot.view, ms, parts=parts, result=result_to_json(result))


class PeerJudge:
    """One of the peers, taught by the same shots."""

    def __init__(self, name: str, machine: Machine, known: Known, threads: int, tell: Tell) -> None:
        """Teach it.

        Args:
            name: one of ``METHODS``, not this tool.
            machine: what teaches.
            known: what this tool said, of the reference shots too; empty for key points.
            threads: cores for the networks, where the peer uses one.
            tell: shown what is being looked at.
        """
        self.method, self.known = METHODS[name], known
        self.machine = machine
        self.registrars: dict[str, KeyPointRegistrar] = {}
        self.looks = {}
        for view in machine.views:
            tell(f"{view.id}: looking at {len(view.all_shots)} shots")
            self.looks[view.id] = make_look(name, view, self._seen(view), threads)

    def judge(self, shot: LabelledShot) -> Said:
        started = time.perf_counter()
        borrowed = 0.0
        try:
            photo = read_photo(shot.path, max_side=READ_SIDE)
        except PhotoError:
            return Said(shot.file, shot.view, (time.perf_counter() - started) * 1000)
        view, look = self.machine.view(shot.view), self.looks[shot.view]
        parts: Mapping[str, PartSaid] = {}
        score = None
        if self.method.place == "none":
            score, parts = look(photo, None)
        else:
            if self.method.place == "tool":
                places, borrowed = self._from_tool(view, shot.file, photo)
            else:
                places = self._by_points(view, photo)
            if places:
                score, parts = look(photo, places)
        every = {part.id: parts.get(part.id, PartSaid(None, "unknown")) for part in view.parts}
        ms = (time.perf_counter() - started) * 1000 + borrowed
        return Said(shot.file, shot.view, ms, score, {} if score is not None else every)

    def _seen(self, view: View) -> list[SeenShot]:
        """Return the reference shots with the places of their parts."""
        by_points = self.method.place == "points"
        out = []
        for number, shot in enumerate(view.all_shots):
            if self.method.right_alone and shot.states:
                continue
            photo = read_photo(self.machine.folder / shot.file, max_side=READ_SIDE)
            if number == 0:
                places = at_home(view, photo)
                if by_points:
                    self.registrars[view.id] = KeyPointRegistrar(photo, body_of(view))
            elif by_points:
                places = self._by_points(view, photo)
                if not shot.states and len(self.registrars[view.id].anchors) < ANCHORS:
                    self.registrars[view.id].add(photo)
            else:
                places, _ = self._from_tool(view, shot.file, photo)
            out.append(SeenShot(shot, photo, places))
        return out

    def _by_points(self, view: View, photo: Photo) -> Places:
        found = self.registrars[view.id].place(photo)
        return {} if found is None else {part.id: found for part in view.parts}

    def _from_tool(self, view: View, file: str, photo: Photo) -> tuple[Places, float]:
        """Return the places that this tool found, and the milliseconds that this took it."""
        result = self.known[view.id, file].own_result
        if result is None or result.view != view.id:
            return {}, 0.0
        outlines = {part.id: part.outline for part in result.parts}
        spent = [ms for ms in (result.ms.align, result.ms.locate) if np.isfinite(ms)]
        return places_from_outlines(view, outlines, photo), float(sum(spent))


Look = Callable[[Photo, Places | None], tuple[float | None, Mapping[str, PartSaid]]]


def make_look(name: str, view: View, shots: Sequence[SeenShot], threads: int) -> Look:
    """Teach a peer one view and return how it looks at a photo: photo score, parts."""
    if name == "template":
        from tests.peers.template import Template

        template = Template(view, shots)
        return lambda photo, _: (None, template.look(photo))
    if name == "memory":
        from tests.peers.nearest import PatchMemory
        from verify.vision.network import Networks

        memory = PatchMemory(shots, Networks(threads=threads))
        return lambda photo, _: (memory.score(photo), {})
    look = _patch_look(name.removesuffix("-points"), view, shots, threads)
    return lambda photo, places: (None, look(photo, places or {}))


def _patch_look(
    name: str, view: View, shots: Sequence[SeenShot], threads: int
) -> Callable[[Photo, Places], Mapping[str, PartSaid]]:
    if name == "ssim":
        from tests.peers.structural import Structural

        return Structural(view, shots).look
    if name == "hog":
        from tests.peers.gradients import Gradients

        return Gradients(view, shots).look
    from tests.peers.nearest import NearestPatch
    from verify.vision.network import Networks

    return NearestPatch(view, shots, Networks(threads=threads)).look


def reference_labels(machine: Machine) -> list[LabelledShot]:
    """Return the reference shots as photos to judge, so that their parts' places are known."""
    return [
        LabelledShot(shot.file, Path(machine.folder / shot.file), view.id, shot.states)
        for view in machine.views
        for shot in view.all_shots
    ]
