"""What in an entry holds a rebuild, and what has to be acknowledged."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from verify.domain import PartVerdict, Severity
from verify.rebuild.entries import Action, ClearedAs, Entry


class HoldReason(StrEnum):
    """Why something is held."""

    PART = "part"  # wrong, in doubt or unseen in a held photo
    PHOTO = "photo"  # not what it claims to be
    ANSWER = "answer"  # a hand check was answered with no
    READING = "reading"  # outside its limits
    SKIPPED = "skipped"  # the step was not done


@dataclass(frozen=True)
class Looked:
    """Who cleared a hold, when, as what, and why."""

    by: str
    at: datetime
    result: ClearedAs
    reason: str


@dataclass(frozen=True)
class Hold:
    """One thing that must be looked at before a release.

    Attributes:
        id: the number of its entry, and what is held in it: ``12/left-bushing``.
        part: the part of the view; None where it is no part.
        message: what is wrong, for people.
    """

    id: str
    step: str
    entry: int
    why: HoldReason
    part: str | None
    message: str
    cleared: Looked | None = None


# A part that has to be acknowledged, with what was found.
Cautions = tuple[tuple[str, str], ...]


def holds_of(entry: Entry) -> tuple[Hold, ...]:
    """Return the holds that an entry about a step opens."""
    found = _FINDERS[Action(entry.kind)](entry)
    step = entry.data["step"]
    return tuple(
        Hold(
            f"{entry.n}/{what}", step, entry.n, why, what if why is HoldReason.PART else None, text
        )
        for what, why, text in found
    )


def cautions_of(entry: Entry) -> Cautions:
    """Return the parts of a photo that do not hold it, but have to be acknowledged."""
    if entry.kind != Action.PHOTO or entry.data["result"]["verdict"] == "retake":
        return ()
    return tuple(
        (part["id"], part["message"])
        for part in entry.data["result"]["parts"]
        if part["severity"] == Severity.CAUTION and part["verdict"] != PartVerdict.OK
    )


_Found = Iterator[tuple[str, HoldReason, str]]


def _of_photo(entry: Entry) -> _Found:
    result = entry.data["result"]
    if result["verdict"] == "retake":
        return  # it does not count; the step has to be photographed again
    for doubt in entry.data["doubts"]:
        yield doubt["code"], HoldReason.PHOTO, doubt["message"]
    if result["verdict"] != "hold":
        return
    named = False
    for part in result["parts"]:
        # An unseen part too: a fault elsewhere holds the photo before it could be refused.
        if part["severity"] == Severity.STOP and part["verdict"] != PartVerdict.OK:
            named = True
            yield part["id"], HoldReason.PART, part["message"]
    if not named:
        yield "photo", HoldReason.PHOTO, "The photo is held."


def _of_answer(entry: Entry) -> _Found:
    if not entry.data["yes"]:
        note = entry.data.get("note") or ""
        yield "answer", HoldReason.ANSWER, f"Answered with no{': ' + note if note else '.'}"


def _of_reading(entry: Entry) -> _Found:
    if not entry.data["ok"]:
        yield "reading", HoldReason.READING, entry.data["message"]


def _of_skip(entry: Entry) -> _Found:
    yield "skipped", HoldReason.SKIPPED, f"Not done: {entry.data['reason']}"


_FINDERS = {
    Action.PHOTO: _of_photo,
    Action.ANSWER: _of_answer,
    Action.READING: _of_reading,
    Action.SKIP: _of_skip,
}
