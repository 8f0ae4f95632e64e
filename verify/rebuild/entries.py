"""What can be written into the record of a rebuild."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

FORMAT = 1

Json = dict[str, Any]


class Action(StrEnum):
    """What a person does to a rebuild; each leaves one entry."""

    START = "start"
    PHOTO = "photo"
    ANSWER = "answer"
    READING = "reading"
    SKIP = "skip"  # a step that cannot be done tonight; holds the rebuild
    ACKNOWLEDGE = "acknowledge"  # a caution was read
    REPLACE = "replace"  # a part from the wear kit
    HAND_IN = "hand-in"
    CLEAR = "clear"  # a hold, after a look
    SEND_BACK = "send-back"
    RELEASE = "release"  # for start-up
    EMERGENCY_RELEASE = "emergency-release"  # nobody answered
    COUNTERSIGN = "countersign"  # an emergency release was looked at
    PUT_IN_USE = "put-in-use"  # after start-up
    LEAK = "leak"  # found after the start
    LATE_LEAK = "late-leak"  # told when the machine was being rebuilt again already
    OUT_OF_SERVICE = "out-of-service"
    RETURN = "return"  # to work, from out of service
    GIVE_UP = "give-up"


class ClearedAs(StrEnum):
    """What a look at a held part or step has shown."""

    FALSE_ALARM = "false-alarm"  # it was right all the time
    PUT_RIGHT = "put-right"  # it was wrong and has been mended before the eyes of this person
    ACCEPTED = "accepted"  # known, harmless tonight, for the reason given


class Miss(StrEnum):
    """Who overlooked what then leaked."""

    TOOL = "tool"  # the photo that shows it had passed
    PERSON = "person"  # somebody cleared it, answered for it or skipped it
    NOT_KNOWN = "not-known"

    @property
    def words(self) -> str:
        """Whom it names, in plain words."""
        return {Miss.TOOL: "the tool", Miss.PERSON: "a person"}.get(self, "not known")


@dataclass(frozen=True)
class Entry:
    """One entry of a record.

    Attributes:
        chain: id of the record, such as a rebuild's.
        n: its place, counted from 1.
        at: UTC, whole milliseconds; never before the entry above.
        by: id of the person.
        kind: what was done.
        data: plain JSON values.
        prev: SHA-256 of the entry above, 64 hexadecimal digits; 64 zeros for the first.
    """

    chain: str
    n: int
    at: datetime
    by: str
    kind: str
    data: Mapping[str, Any]
    prev: str

    def to_json(self) -> Json:
        """Return the object that is hashed and signed."""
        return {
            "format": FORMAT,
            "chain": self.chain,
            "n": self.n,
            "at": to_rfc3339(self.at),
            "by": self.by,
            "kind": self.kind,
            "data": dict(self.data),
            "prev": self.prev,
        }


def entry_from_json(value: Mapping[str, Any]) -> Entry:
    """Return the entry that an object stands for.

    Raises:
        ValueError: it has other keys or another format.
    """
    keys = {"format", "chain", "n", "at", "by", "kind", "data", "prev"}
    if set(value) != keys or value["format"] != FORMAT:
        raise ValueError("not an entry of this format")
    return Entry(
        chain=value["chain"],
        n=value["n"],
        at=from_rfc3339(value["at"]),
        by=value["by"],
        kind=value["kind"],
        data=value["data"],
        prev=value["prev"],
    )


def to_rfc3339(at: datetime) -> str:
    """Return a time as RFC 3339 in UTC with milliseconds: ``2026-06-12T01:20:03.004Z``.

    Raises:
        ValueError: the time has no zone.
    """
    if at.tzinfo is None:
        raise ValueError("a time without zone cannot be recorded")
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{at.microsecond // 1000:03d}Z"


def from_rfc3339(text: str) -> datetime:
    """Return the UTC time that an RFC 3339 text says.

    Raises:
        ValueError: it says none, or no zone.
    """
    at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        raise ValueError(f"{text} has no zone")
    return at.astimezone(UTC)
