"""Stores and their settings, machines and their stickers."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import time
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, insert, select, update
from sqlalchemy.exc import IntegrityError

from verify.errors import UsageError
from verify.machine_file import read_machine
from verify.rebuild.days import DAY_STARTS, time_zone
from verify.rebuild.notices import DEPUTY_MINUTES
from verify.rebuild.people import ANSWERABLE, SETTING_UP, Role
from verify.rebuild.readings import water_of
from verify.rebuild.rules import WAIT_MINUTES
from verify.rebuild.sanitizer import Water, check_water
from verify.store import tables
from verify.store.base import Base, require_id
from verify.store.people import anybody, give_role, require_any_role

MARKERS = 1000  # in the dictionary of markers; see verify.vision.markers


@dataclass(frozen=True)
class StoreSettings:
    """What a store decides for itself.

    Attributes:
        water: sanitizer and water; None: readings by the table are refused.
        wait_minutes: how long a supervisor has before a manager may release in an emergency.
        sticker_needed: hold photos in which the machine's sticker is not found.
        deputy_minutes: after how long deputies are told that something waits.
    """

    water: Water | None = None
    wait_minutes: int = WAIT_MINUTES
    sticker_needed: bool = False
    deputy_minutes: int = DEPUTY_MINUTES

    def to_json(self) -> dict[str, Any]:
        """Return what is kept, and copied into each record."""
        plain = asdict(self)
        water = plain.pop("water")
        return {**plain, **({"sanitizer": water} if water else {})}


@dataclass(frozen=True)
class Site:
    """A store."""

    id: str
    name: str
    zone: str
    day_starts: time = DAY_STARTS
    settings: StoreSettings = field(default_factory=StoreSettings)


@dataclass(frozen=True)
class KnownMachine:
    """A machine of a store. ``marker`` is that of its sticker, if it has one."""

    id: str
    store: str
    title: str
    folder: Path
    number: str
    marker: int | None


def settings_from_json(plain: Mapping[str, Any]) -> StoreSettings:
    """Return the settings that plain values stand for."""
    rest = {key: value for key, value in plain.items() if key != "sanitizer"}
    water = water_of(dict(plain)) if "sanitizer" in plain else None
    return StoreSettings(water=water, **rest)


class Sites(Base):
    """Stores and machines."""

    def add_store(self, site: Site, *, by: str) -> None:
        """Add a store; who adds it is its first supervisor.

        Raises:
            UsageError: it is there already, or its settings cannot be.
            RefusedError: only supervisors add stores, once there are people.
        """
        require_id(site.id)
        _check(site)
        with self.write() as connection:
            require_any_role(connection, by, {Role.SUPERVISOR}, first=True)
            if _row(connection, site.id) is not None:
                raise UsageError(f"there is a store '{site.id}' already")
            connection.execute(insert(tables.stores).values(id=site.id, **_columns(site)))
            if anybody(connection):
                give_role(connection, by, site.id, Role.SUPERVISOR)
            self.note(connection, "store-added", by, {"id": site.id, **_columns(site)})

    def change_store(self, site: Site, *, by: str) -> None:
        """Change a store's name, zone or settings; records that are under way keep the old ones.

        Raises:
            UsageError: there is no such store, or its settings cannot be.
            RefusedError: this person is no manager or supervisor of it.
        """
        _check(site)
        with self.write() as connection:
            self.site_in(connection, site.id)
            require_any_role(connection, by, ANSWERABLE, store=site.id)
            stores = tables.stores
            connection.execute(
                update(stores).where(stores.c.id == site.id).values(**_columns(site))
            )
            self.note(connection, "store-changed", by, {"id": site.id, **_columns(site)})

    def store(self, store_id: str) -> Site:
        """Return a store.

        Raises:
            UsageError: there is none of that id.
        """
        with self.database.read() as connection:
            return self.site_in(connection, store_id)

    def stores(self) -> list[Site]:
        """Return all stores by id."""
        with self.database.read() as connection:
            rows = connection.execute(select(tables.stores).order_by(tables.stores.c.id))
            return [_site(row) for row in rows]

    def add_machine(
        self, folder: Path, store_id: str, *, number: str = "", by: str
    ) -> KnownMachine:
        """Add the machine that a folder teaches to a store.

        Raises:
            MachineFileError: the folder breaks a rule.
            UsageError: there is no such store, or a machine of that id already.
            RefusedError: this person may not.
        """
        machine = read_machine(folder)
        known = KnownMachine(
            machine.id, store_id, str(machine.title), folder.resolve(), number, None
        )
        with self.write() as connection:
            self.site_in(connection, store_id)
            require_any_role(connection, by, SETTING_UP, store=store_id)
            values = {**asdict(known), "folder": str(known.folder)}
            try:
                connection.execute(insert(tables.machines).values(**values))
            except IntegrityError:
                raise UsageError(f"there is a machine '{machine.id}' already") from None
            self.note(connection, "machine-added", by, values)
        return known

    def require_setting_up(self, store_id: str, *, by: str) -> None:
        """Refuse whoever may not set up machines of a store.

        Raises:
            RefusedError: this person may not.
        """
        with self.database.read() as connection:
            require_any_role(connection, by, SETTING_UP, store=store_id)

    def note_changed(self, machine_id: str, mark: str, *, by: str) -> None:
        """Write into the book that a machine is taught anew.

        Args:
            machine_id: of the machine.
            mark: SHA-256 of what is taught now.
            by: who said so.

        Raises:
            UsageError: there is no such machine.
            RefusedError: this person may not.
        """
        with self.write() as connection:
            machine = machine_in(connection, machine_id)
            require_any_role(connection, by, SETTING_UP, store=machine.store)
            self.note(connection, "machine-changed", by, {"id": machine_id, "taught": mark})

    def machine(self, machine_id: str) -> KnownMachine:
        """Return a machine.

        Raises:
            UsageError: there is none of that id.
        """
        with self.database.read() as connection:
            return machine_in(connection, machine_id)

    def machines(self, store_id: str | None = None) -> list[KnownMachine]:
        """Return all machines, or those of a store, by id."""
        c = tables.machines.c
        wanted = select(tables.machines).order_by(c.id)
        if store_id is not None:
            wanted = wanted.where(c.store == store_id)
        with self.database.read() as connection:
            return [_machine(row) for row in connection.execute(wanted)]

    def give_sticker(self, machine_id: str, *, by: str) -> int:
        """Return the number of a machine's sticker; give it the next free one if it has none.

        Raises:
            UsageError: there is no such machine, or no number is left.
            RefusedError: this person may not.
        """
        c = tables.machines.c
        with self.write() as connection:
            machine = machine_in(connection, machine_id)
            if machine.marker is not None:
                return machine.marker
            require_any_role(connection, by, SETTING_UP, store=machine.store)
            taken = set(connection.execute(select(c.marker)).scalars())
            free = next((n for n in range(MARKERS) if n not in taken), None)
            if free is None:
                raise UsageError(f"all {MARKERS} sticker numbers are in use")
            connection.execute(
                update(tables.machines).where(c.id == machine_id).values(marker=free)
            )
            self.note(connection, "sticker-given", by, {"machine": machine_id, "marker": free})
            return free

    def site_in(self, connection: Connection, store_id: str) -> Site:
        """Return a store, within a transaction."""
        row = _row(connection, store_id)
        if row is None:
            known = connection.execute(select(tables.stores.c.id)).scalars()
            allowed = ", ".join(sorted(known)) or "none yet; add one"
            raise UsageError(f"there is no store '{store_id}'; allowed: {allowed}")
        return _site(row)


def machine_in(connection: Connection, machine_id: str) -> KnownMachine:
    """Return a machine, within a transaction.

    Raises:
        UsageError: there is none of that id.
    """
    c = tables.machines.c
    row = connection.execute(select(tables.machines).where(c.id == machine_id)).one_or_none()
    if row is None:
        known = connection.execute(select(c.id).order_by(c.id)).scalars()
        allowed = ", ".join(known) or "none yet; add one"
        raise UsageError(f"there is no machine '{machine_id}'; allowed: {allowed}")
    return _machine(row)


def _check(site: Site) -> None:
    if not site.name.strip():
        raise UsageError("a store needs a name")
    time_zone(site.zone)
    if site.settings.water is not None:
        check_water(site.settings.water)
    if site.settings.wait_minutes < 1:
        raise UsageError("a supervisor needs at least one minute to answer")
    if site.settings.deputy_minutes < 1:
        raise UsageError("deputies are told after one minute or more")


def _columns(site: Site) -> dict[str, str]:
    return {
        "name": site.name.strip(),
        "zone": site.zone,
        "day_starts": f"{site.day_starts:%H:%M}",
        "settings": json.dumps(site.settings.to_json()),
    }


def _row(connection: Connection, store_id: str) -> Any:
    wanted = select(tables.stores).where(tables.stores.c.id == store_id)
    return connection.execute(wanted).one_or_none()


def _site(row: Any) -> Site:
    return Site(
        row.id,
        row.name,
        row.zone,
        time.fromisoformat(row.day_starts),
        settings_from_json(json.loads(row.settings)),
    )


def _machine(row: Any) -> KnownMachine:
    return KnownMachine(row.id, row.store, row.title, Path(row.folder), row.number, row.marker)
