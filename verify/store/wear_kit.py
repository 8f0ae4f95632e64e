"""The wear kit of each machine: what is fitted, what is in stock, what is due."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Connection, insert, select, update

from verify.domain import WearItem
from verify.errors import RecordBrokenError, UsageError
from verify.machine_file import read_machine
from verify.rebuild.days import business_day
from verify.rebuild.entries import Action, Entry
from verify.rebuild.people import Role
from verify.rebuild.plan import plan_of
from verify.rebuild.wear import Fitted, unknown_item
from verify.store import tables
from verify.store.base import Base
from verify.store.chain import BOOK
from verify.store.people import require_any_role
from verify.store.sites import KnownMachine, Sites, machine_in

# Entries of the book after which a list says something else of a part.
FITTED, COUNTED, REPLACED = "part-fitted", "stock-counted", "part-replaced"


@dataclass(frozen=True)
class Replaced:
    """Parts that were fitted. ``day``: business day; ``reason``: what was wrong with the old."""

    machine: str
    item: str
    count: int
    day: str
    by: str
    reason: str


class WearKit(Base):
    """The wear kits."""

    def kit(self, machine_id: str) -> list[Fitted]:
        """Return the wear kit of a machine, in the order of its plan.

        Raises:
            UsageError: there is no such machine.
        """
        with self.database.read() as connection:
            machine = machine_in(connection, machine_id)
            c = tables.wear.c
            found = connection.execute(select(tables.wear).where(c.machine == machine_id))
            rows = {row.item: row for row in found}
        items = {item.id: item for item in _items(machine)}
        items |= {item: unknown_item(item) for item in rows if item not in items}
        return [_fitted(item, rows.get(item.id)) for item in items.values()]

    def named(self, machine_id: str) -> tuple[WearItem, ...]:
        """Return the parts that wear, as the machine's plan names them now."""
        with self.database.read() as connection:
            return _items(machine_in(connection, machine_id))

    def today(self, machine_id: str) -> date:
        """Return the business day of a machine's store, now."""
        with self.database.read() as connection:
            return self._today(connection, machine_in(connection, machine_id))

    def fit(self, machine_id: str, item: str, reason: str, *, count: int = 1, by: str) -> int:
        """Write down a part that was replaced outside a rebuild.

        Returns:
            How many more were fitted than the kit listed; above 0, the spares have to be counted.

        Raises:
            UsageError: there is no such machine or part, or no reason.
            RefusedError: this person has no part in the store.
        """
        if not reason.strip() or count < 1:
            raise UsageError("say why it was replaced, and how many")
        with self.write() as connection:
            machine = self._known(connection, machine_id, item)
            require_any_role(connection, by, set(Role), store=machine.store)
            day = self._today(connection, machine).isoformat()
            lacked = max(0, count - stock_of(connection, machine_id, item))
            now = fit(connection, Replaced(machine_id, item, count, day, by, reason.strip()))
            data = {"machine": machine_id, "item": item, "count": count, "reason": reason.strip()}
            self.note(connection, FITTED, by, {**data, "not_in_kit": lacked, "now": now})
            return lacked

    def set_stock(self, machine_id: str, item: str, stock: int, *, by: str) -> None:
        """Write down how many spares were counted.

        Raises:
            UsageError: there is no such machine or part, or the number is below zero.
            RefusedError: this person has no part in the store.
        """
        if stock < 0:
            raise UsageError(f"a stock of {stock} cannot be; allowed: 0 or more")
        with self.write() as connection:
            machine = self._known(connection, machine_id, item)
            require_any_role(connection, by, set(Role), store=machine.store)
            now = _put(connection, machine_id, item, {"stock": stock})
            data = {"machine": machine_id, "item": item, "stock": stock}
            self.note(connection, COUNTED, by, {**data, "now": now})

    def _known(self, connection: Connection, machine_id: str, item: str) -> KnownMachine:
        machine = machine_in(connection, machine_id)
        known = [wear.id for wear in _items(machine)]
        if item not in known:
            allowed = ", ".join(known) or "none: the plan names no part that wears"
            raise UsageError(f"there is no part '{item}' in the wear kit; allowed: {allowed}")
        return machine

    def _today(self, connection: Connection, machine: KnownMachine) -> date:
        site = Sites(self.database, self.key, self.clock).site_in(connection, machine.store)
        return business_day(self.clock(), site.zone, site.day_starts)


def stock_of(connection: Connection, machine: str, item: str) -> int:
    """Return how many spares the kit lists, within a transaction."""
    c = tables.wear.c
    wanted = select(c.stock).where(c.machine == machine, c.item == item)
    return connection.execute(wanted).scalar_one_or_none() or 0


def fit(connection: Connection, said: Replaced) -> dict[str, Any]:
    """Write down, within a transaction, that parts were fitted and came from the stock.

    Returns:
        What the list says of the part now; it stands in the book as well.
    """
    stock = max(0, stock_of(connection, said.machine, said.item) - said.count)
    values = {"fitted_on": said.day, "fitted_by": said.by, "reason": said.reason, "stock": stock}
    return _put(connection, said.machine, said.item, values)


def check_kit(connection: Connection, book: Sequence[Entry]) -> None:
    """Hold the list of wear kits against the book, which says what it came to at each change.

    What was written before the book said so is held as soon as it changes.

    Raises:
        RecordBrokenError: names the entry that the list does not fit.
    """
    said: dict[tuple[str, str], tuple[int, Any]] = {}
    for entry in book:
        if entry.kind in (FITTED, COUNTED, REPLACED):
            part = entry.data["machine"], entry.data["item"]
            said[part] = entry.n, entry.data.get("now")
    rows = connection.execute(select(tables.wear)).all()
    listed = {(row.machine, row.item): _now(row) for row in rows}
    older = _replaced_before(connection) if listed.keys() - said.keys() else set()
    for part in sorted(listed.keys() | said.keys()):
        n, now = said.get(part, (len(book), None))
        unsaid = now is None and (part in said or part in older)
        if listed.get(part) != now and not (unsaid and part in listed):
            raise RecordBrokenError(
                f"record {BOOK}, entry {n}: what the wear kit of {part[0]} lists of {part[1]} "
                "is not what was written"
            )


def _replaced_before(connection: Connection) -> set[tuple[str, str]]:
    """Return the parts that were replaced in rebuilds before the book was told of that."""
    e, r = tables.entries.c, tables.rebuilds.c
    wanted = select(r.machine, e.body).join(tables.entries, e.chain == r.id)
    found = set()
    for row in connection.execute(wanted.where(e.kind == Action.REPLACE.value)):
        data = json.loads(row.body)["data"]
        if "not_in_kit" not in data:
            found.add((str(row.machine), str(data["item"])))
    return found


def _put(connection: Connection, machine: str, item: str, values: dict[str, Any]) -> dict[str, Any]:
    c = tables.wear.c
    at = (c.machine == machine) & (c.item == item)
    if connection.execute(select(c.item).where(at)).first() is None:
        new = {"reason": "", "stock": 0, **values}
        connection.execute(insert(tables.wear).values(machine=machine, item=item, **new))
    else:
        connection.execute(update(tables.wear).where(at).values(**values))
    return _now(connection.execute(select(tables.wear).where(at)).one())


def _now(row: Any) -> dict[str, Any]:
    return {name: getattr(row, name) for name in ("fitted_on", "fitted_by", "reason", "stock")}


def _items(machine: KnownMachine) -> tuple[WearItem, ...]:
    return plan_of(read_machine(machine.folder)).wear


def _fitted(item: WearItem, row: Any) -> Fitted:
    if row is None:
        return Fitted(item, None, None, "", 0)
    day = date.fromisoformat(row.fitted_on) if row.fitted_on else None
    return Fitted(item, day, row.fitted_by, row.reason, row.stock)
