"""Photos that are not what they claim: what is said of one, and when it is too old."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

# Clocks of phones differ; nobody takes the first photo of a night before it has begun.
CLOCK_TOLERANCE = timedelta(minutes=10)


@dataclass(frozen=True)
class Doubt:
    """Why a photo may not be what it claims to be. It holds the photo until somebody looks.

    Attributes:
        code: ``older``, ``used-before``, ``saved-anew``, ``other-machine`` or ``no-sticker``.
        message: for people.
        rebuild, step: where it was used before; None where that is not the point.
    """

    code: str
    message: str
    rebuild: str | None = None
    step: str | None = None


def older_than(taken: datetime, started: datetime) -> Doubt | None:
    """Say that a photo was taken before its rebuild began; both times have a zone."""
    if taken >= started - CLOCK_TOLERANCE:
        return None
    early = started - taken
    if early < timedelta(hours=2):
        ago = f"{early.total_seconds() / 60:.0f} minutes"
    elif early < timedelta(days=2):
        ago = f"{early.total_seconds() / 3600:.0f} hours"
    else:
        ago = f"{early.days} days"
    return Doubt(
        "older", f"The camera says that this photo was taken {ago} before the rebuild began."
    )
