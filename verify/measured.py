"""Names of the numbers that are taken of a part, and which of them are worth a word."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from verify.domain import Measure

LENGTH, OUT, TURN = "length", "out of place", "turn"

# Up to here a part is as right parts are, as well as that can be measured.
USUAL_LENGTH, USUAL_TURN = 8.0, 8.0  # per cent beside 100, degrees


def noteworthy(turn_deg: float | None, measures: Iterable[Measure]) -> Iterator[Measure]:
    """Yield what a person should be told: a length, a turn or a place that is not usual."""
    for taken in measures:
        if taken.name != LENGTH or abs(taken.value - 100) > USUAL_LENGTH:
            yield taken
    if turn_deg is not None and abs(turn_deg) > USUAL_TURN:
        yield Measure(TURN, abs(turn_deg), "deg")
