"""The wear kit of each machine: what is fitted, what is in stock, what is due."""

from __future__ import annotations

from datetime import date
from typing import Any

from sqlalchemy import Connection, insert, select, update

from verify.domain import WearItem
from verify.errors import UsageError
from verify.machine_file import read_machine
from verify.rebuild.days import business_day
from verify.rebuild.people import Role
from verify.rebuild.plan import plan_of
from verify.rebuild.wear import Fitted, unknown_item
from verify.store import tables
from verify.store.base import Base
from verify.store.people import require_any_role
from verify.store.sites import KnownMachine, Sites, machine_in


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

    def today(self, machine_id: str) -> date:
        """Return the business day of a machine's store, now."""
        with self.database.read() as connection:
            return self._today(connection, machine_in(connection, machine_id))

    def fit(self, machine_id: str, item: str, reason: str, *, count: int = 1, by: str) -> None:
        """Write down a part that was replaced outside a rebuild.

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
            fit(connection, machine_id, item, count, day, by, reason.strip())
            data = {"machine": machine_id, "item": item, "count": count, "reason": reason.strip()}
            self.note(connection, "part-fitted", by, data)

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
            _put(connection, machine_id, item, {"stock": stock})
            data = {"machine": machine_id, "item": item, "stock": stock}
            self.note(connection, "stock-counted", by, data)

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


def fit(
    connection: Connection, machine: str, item: str, count: int, day: str, by: str, reason: str
) -> None:
    """Write down, within a transaction, that parts were fitted and came from the stock."""
    c = tables.wear.c
    at = (c.machine == machine) & (c.item == item)
    stock = connection.execute(select(c.stock).where(at)).scalar_one_or_none() or 0
    values = {"fitted_on": day, "fitted_by": by, "reason": reason, "stock": max(0, stock - count)}
    _put(connection, machine, item, values)


def _put(connection: Connection, machine: str, item: str, values: dict[str, Any]) -> None:
    c = tables.wear.c
    at = (c.machine == machine) & (c.item == item)
    if connection.execute(select(c.item).where(at)).first() is None:
        new = {"reason": "", "stock": 0, **values}
        connection.execute(insert(tables.wear).values(machine=machine, item=item, **new))
    else:
        connection.execute(update(tables.wear).where(at).values(**values))


def _items(machine: KnownMachine) -> tuple[WearItem, ...]:
    return plan_of(read_machine(machine.folder)).wear


def _fitted(item: WearItem, row: Any) -> Fitted:
    if row is None:
        return Fitted(item, None, None, "", 0)
    day = date.fromisoformat(row.fitted_on) if row.fitted_on else None
    return Fitted(item, day, row.fitted_by, row.reason, row.stock)
