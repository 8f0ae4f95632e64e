"""The wear kit of a machine: what is fitted since when, what is in stock, what is due."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from verify.domain import Text, WearItem


@dataclass(frozen=True)
class Fitted:
    """What is known of one kind of part on one machine.

    Attributes:
        item: as the plan of the machine describes it.
        fitted_on: business day of the last replacement; None where nobody knows.
        fitted_by: id of the person; None where nobody knows.
        reason: why it was replaced.
        stock: spares in the kit.
    """

    item: WearItem
    fitted_on: date | None
    fitted_by: str | None
    reason: str
    stock: int

    @property
    def due_on(self) -> date | None:
        """The day by which it has to be replaced; None where there is no interval or no date."""
        if self.item.every_days is None or self.fitted_on is None:
            return None
        return self.fitted_on + timedelta(days=self.item.every_days)

    def is_due(self, today: date, ahead_days: int = 0) -> bool:
        """True if it has to be replaced by then, or nobody knows how old it is."""
        if self.item.every_days is None:
            return False
        due = self.due_on
        return due is None or due <= today + timedelta(days=ahead_days)

    @property
    def short(self) -> bool:
        """True if the kit could not replace all of them once."""
        return self.stock < self.item.count


def unknown_item(item_id: str) -> WearItem:
    """Return a stand-in for a part that the plan no longer names."""
    return WearItem(item_id, Text({"": item_id}))


def due(fitted: Iterable[Fitted], today: date, ahead_days: int = 0) -> tuple[Fitted, ...]:
    """Return what has to be replaced, the longest overdue first; unknown ages first of all."""
    late = [item for item in fitted if item.is_due(today, ahead_days)]
    return tuple(sorted(late, key=lambda f: (f.due_on or date.min, f.item.id)))
