"""Machines that are being set up: kept here after every change, used by nobody.

A draft is a folder: its pictures lie as they will lie in the machine folder, beside them
``draft.json`` with all that was said so far. Nothing of it reaches a crew before somebody says
so; until then it may lack anything. It survives phones that sleep and servers that stop.
"""

from __future__ import annotations

import json
import secrets
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from threading import RLock
from types import MappingProxyType
from typing import Any

from verify.domain import Machine, Part, View
from verify.errors import StoreError, UsageError
from verify.machine_file.plain import machine_to_plain, part_to_plain
from verify.machine_file.saving import replace_file
from verify.machine_file.unplain import machine_from_plain, part_from_plain
from verify.rebuild.entries import to_rfc3339
from verify.store.base import Clock, now_utc, require_id
from verify.store.chain import sha256

_FILE = "draft.json"
_FORMAT = 1


@dataclass(frozen=True)
class Draft:
    """A machine that is being set up.

    Attributes:
        id: nobody guesses it, though that protects nothing: pages ask who somebody is.
        store: that the machine is for.
        machine: as far as it is known. A view without a photo has an empty ``master``; its
            outlines are then those of the machine that it is copied from.
        number: on the machine's plate.
        changed_at: RFC 3339 in UTC.
        by: who changed it last.
        source: machine that it is a copy of, or that it changes; None: begun from nothing.
        changes: True where the machine ``source`` itself is to be changed.
        to_check: views whose outlines were laid by the tool and seen by nobody since.
        unsure: by view, parts whose place the tool does not vouch for.
        shapes: by view and part as ``view/part``, how an outline was drawn where it is no
            polygon: ``rectangle`` or ``ellipse``.
        dropped: parts that were deleted, by ``view/part``, so that undoing it brings back words.
    """

    id: str
    store: str
    machine: Machine
    number: str
    changed_at: str
    by: str
    source: str | None = None
    changes: bool = False
    to_check: frozenset[str] = frozenset()
    unsure: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: MappingProxyType({}))
    shapes: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    dropped: Mapping[str, Part] = field(default_factory=lambda: MappingProxyType({}))

    def view(self, view_id: str) -> View:
        """Return a view.

        Raises:
            UsageError: there is none of that id.
        """
        for view in self.machine.views:
            if view.id == view_id:
                return view
        raise UsageError(f"there is no view '{view_id}' in this set-up")

    def with_view(self, view: View) -> Draft:
        """Return the draft with a view in the place of the one with its id, or behind all."""
        views = self.machine.views
        if any(v.id == view.id for v in views):
            views = tuple(view if v.id == view.id else v for v in views)
        else:
            views = (*views, view)
        return replace(self, machine=replace(self.machine, views=views))

    @property
    def mark(self) -> str:
        """What changes with everything that a verdict could depend on."""
        plain = machine_to_plain(self.machine)
        return sha256(json.dumps(plain, sort_keys=True).encode())


class Drafts:
    """All drafts, each in a folder. Threads share one; two changes never mix."""

    def __init__(self, folder: Path, clock: Clock = now_utc) -> None:
        self.folder = folder
        self._clock = clock
        self._lock = RLock()

    def begin(self, draft: Draft, pictures: Path | None = None) -> Draft:
        """Keep a new draft under a new id and return it.

        Args:
            draft: its ``id``, ``changed_at`` and folder are set here.
            pictures: folder that the pictures named by its shots and masters are copied from.

        Raises:
            StoreError: the folder cannot be written to.
        """
        draft_id = secrets.token_hex(8)
        place = self.folder / draft_id
        try:
            place.mkdir(parents=True)
            files = {s.file for v in draft.machine.views for s in v.all_shots if s.file}
            for name in sorted(files) if pictures is not None else ():
                assert pictures is not None
                (place / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(pictures / name, place / name)
        except OSError as error:
            shutil.rmtree(place, ignore_errors=True)
            raise StoreError(f"a set-up cannot be kept in {self.folder}: {error}") from error
        machine = replace(draft.machine, folder=place)
        return self._keep(replace(draft, id=draft_id, machine=machine), draft.by)

    def get(self, draft_id: str) -> Draft:
        """Return a draft.

        Raises:
            UsageError: there is none of that id.
            StoreError: it is damaged.
        """
        file = self.folder / require_id(draft_id) / _FILE
        try:
            raw = file.read_bytes()
        except FileNotFoundError:
            raise UsageError(f"there is no set-up '{draft_id}'") from None
        try:
            return _from_json(json.loads(raw), file.parent)
        except (ValueError, KeyError, TypeError) as error:
            raise StoreError(f"{file} is damaged: {error}") from error

    def listed(self, stores: Sequence[str]) -> list[Draft]:
        """Return the drafts for some stores, the last changed first."""
        ids = [file.parent.name for file in self.folder.glob(f"*/{_FILE}")]
        found = [draft for draft in map(self.get, ids) if draft.store in stores]
        return sorted(found, key=lambda draft: draft.changed_at, reverse=True)

    def change(self, draft_id: str, change: Callable[[Draft], Draft], *, by: str) -> Draft:
        """Change a draft and keep it; what ``change`` raises leaves it as it was.

        Raises:
            UsageError: there is none of that id.
        """
        with self._lock:
            before = self.get(draft_id)
            after = change(before)
            return before if after == before else self._keep(after, by)

    def put_picture(self, draft_id: str, view_id: str, content: bytes, ending: str) -> str:
        """Keep a picture in a draft's folder and return its name, made from its content.

        Raises:
            UsageError: there is no such draft.
            StoreError: the folder cannot be written to.
        """
        name = f"{require_id(view_id)}/{sha256(content)[:16]}{ending}"
        path = self.get(draft_id).machine.folder / name
        try:
            path.parent.mkdir(exist_ok=True)
            replace_file(path, content)
        except OSError as error:
            raise StoreError(f"a picture cannot be kept in {self.folder}: {error}") from error
        return name

    def drop(self, draft_id: str) -> None:
        """Delete a draft with its pictures; one that is gone is no error."""
        with self._lock:
            place = self.folder / require_id(draft_id)
            (place / _FILE).unlink(missing_ok=True)  # first: what is left is then no draft
            shutil.rmtree(place, ignore_errors=True)

    def _keep(self, draft: Draft, by: str) -> Draft:
        kept = replace(draft, by=by, changed_at=to_rfc3339(self._clock()))
        file = self.folder / kept.id / _FILE
        try:
            replace_file(file, json.dumps(_to_json(kept), ensure_ascii=False).encode())
        except OSError as error:
            raise StoreError(f"{file} cannot be written: {error.strerror}") from error
        return kept


def _to_json(draft: Draft) -> dict[str, Any]:
    return {
        "format": _FORMAT,
        "id": draft.id,
        "store": draft.store,
        "machine": machine_to_plain(draft.machine),
        "number": draft.number,
        "changed_at": draft.changed_at,
        "by": draft.by,
        "source": draft.source,
        "changes": draft.changes,
        "to_check": sorted(draft.to_check),
        "unsure": {view: list(parts) for view, parts in draft.unsure.items()},
        "shapes": dict(draft.shapes),
        "dropped": {name: part_to_plain(part) for name, part in draft.dropped.items()},
    }


def _from_json(plain: dict[str, Any], folder: Path) -> Draft:
    if plain["format"] != _FORMAT:
        raise ValueError(f"format {plain['format']} is not known")
    return Draft(
        id=folder.name,
        store=plain["store"],
        machine=machine_from_plain(plain["machine"], folder),
        number=plain["number"],
        changed_at=plain["changed_at"],
        by=plain["by"],
        source=plain["source"],
        changes=plain["changes"],
        to_check=frozenset(plain["to_check"]),
        unsure={view: tuple(parts) for view, parts in plain["unsure"].items()},
        shapes=plain["shapes"],
        dropped={name: part_from_plain(part) for name, part in plain["dropped"].items()},
    )
