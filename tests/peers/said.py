"""What a method says of photos, before any line is drawn, and how that is kept on disk."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from verify.domain import Result
from verify.result_json import result_from_json


@dataclass(frozen=True)
class PartSaid:
    """One part in one photo.

    Attributes:
        score: higher for what looks more as it should; None where it could not be looked at.
        found: the state that it is in, should it not be right.
    """

    score: float | None
    found: str


@dataclass(frozen=True)
class Said:
    """One photo.

    Attributes:
        file: as in the labelled set.
        view: as in the labelled set.
        ms: milliseconds of wall time, from the file to these numbers.
        score: of the photo as a whole, by methods that look at no parts; else None.
        parts: by id.
        result: what this tool itself says, as its JSON object; None for the peers.
    """

    file: str
    view: str
    ms: float
    score: float | None = None
    parts: Mapping[str, PartSaid] = field(default_factory=dict)
    result: Mapping[str, Any] | None = None

    @property
    def own_result(self) -> Result | None:
        """What this tool itself says."""
        return None if self.result is None else result_from_json(self.result)


@dataclass(frozen=True)
class Run:
    """What one method said of the photos of one set.

    Attributes:
        key: names everything that decides what is said.
        megabytes: peak memory of the process that looked, teaching included.
        teach_s: seconds that teaching took.
        said: one for each photo, in the order of the labels.
    """

    key: str
    megabytes: float
    teach_s: float
    said: tuple[Said, ...]


def save_run(path: Path, run: Run) -> None:
    """Write a run, whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_suffix(".tmp")
    with fresh.open("w", encoding="utf-8") as file:
        head = {"key": run.key, "megabytes": run.megabytes, "teach_s": run.teach_s}
        for row in (head, *(asdict(said) for said in run.said)):
            file.write(json.dumps(row, ensure_ascii=False) + "\n")
    fresh.replace(path)


def load_run(path: Path, key: str | None = None) -> Run | None:
    """Return a run; None where there is none, or where it has another key."""
    if not path.is_file():
        return None
    head, *rows = (json.loads(line) for line in path.read_text(encoding="utf-8").splitlines())
    if key is not None and head["key"] != key:
        return None
    return Run(**head, said=tuple(_said(row) for row in rows))


def _said(row: dict[str, Any]) -> Said:
    parts = {name: PartSaid(**part) for name, part in row.pop("parts").items()}
    return Said(**row, parts=parts)
