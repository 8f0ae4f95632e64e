"""Is an outline one that can be drawn: corners that span an area, edges that do not cross?

Plain Python on purpose: reading a machine folder must not wait for a numeric library.
"""

from __future__ import annotations

from itertools import pairwise

from verify.domain import Outline, Point


def double_area(outline: Outline) -> float:
    """Return twice the signed area in square pixels (shoelace formula)."""
    closed = (*outline, outline[0])
    return sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise(closed))


def first_crossing(outline: Outline) -> tuple[int, int] | None:
    """Return the numbers of two edges that cross, or None.

    Edge ``n`` runs from corner ``n`` to the next one; the last edge closes the outline.
    Edges may touch, and a corner may be repeated: outlines that were traced on a pixel grid or
    rounded do both, and still enclose what is meant. Edges that pass through one another do not.
    """
    after = (*outline[1:], outline[0])
    kept = [n for n, corner in enumerate(outline) if corner != after[n]]
    corners = [outline[n] for n in kept]
    count = len(corners)
    if _is_convex(corners):
        return None
    edges = [(corners[n], corners[(n + 1) % count]) for n in range(count)]
    by_left = sorted(range(count), key=lambda n: min(edges[n][0][0], edges[n][1][0]))
    for place, n in enumerate(by_left):
        right = max(edges[n][0][0], edges[n][1][0])
        for m in by_left[place + 1 :]:
            if min(edges[m][0][0], edges[m][1][0]) > right:
                break  # this one and all that follow lie to the right
            if _cross(corners, n, m):
                first, second = sorted((kept[n], kept[m]))
                return first, second
    return None


def _is_convex(corners: list[Point]) -> bool:
    """True if the outline turns one way only, and only once around."""
    turns = {_side(corners[n - 2], corners[n - 1], corner) for n, corner in enumerate(corners)}
    if len(turns) != 1 or 0 in turns:
        return False
    to_right = [corner[0] > corners[n - 1][0] for n, corner in enumerate(corners)]
    return sum(now != to_right[n - 1] for n, now in enumerate(to_right)) <= 2


def _cross(corners: list[Point], n: int, m: int) -> bool:
    """True if edges ``n`` and ``m`` pass through one another, inside or at a corner."""
    count = len(corners)
    a, b = corners[n], corners[(n + 1) % count]
    c, d = corners[m], corners[(m + 1) % count]
    sides = (_side(a, b, c), _side(a, b, d), _side(c, d, a), _side(c, d, b))
    if 0 not in sides:
        return sides[0] != sides[1] and sides[2] != sides[3]
    return _cross_at_corner(corners, n, m) or _cross_at_corner(corners, m, n)


def _cross_at_corner(corners: list[Point], n: int, m: int) -> bool:
    """True if the outline passes through edge ``n`` at the first corner of edge ``m``."""
    count = len(corners)
    a, b, p = corners[n], corners[(n + 1) % count], corners[m]
    if p == b or not _between(a, b, p):
        return False  # the end of edge n is the start of the edge after it, and looked at there
    arms = (corners[n - 1] if p == a else a, b, corners[m - 1], corners[(m + 1) % count])
    directions = [_direction(p, arm) for arm in arms]
    if len(set(directions)) < 4:
        return False  # they share a stretch: touching
    around = sorted(range(4), key=lambda arm: directions[arm])
    return {around[0], around[2]} in ({0, 1}, {2, 3})


def _side(a: Point, b: Point, p: Point) -> int:
    """Return on which side of the line from a to b the point lies: -1, 0 or 1."""
    turn = (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0])
    return (turn > 0) - (turn < 0)


def _between(a: Point, b: Point, p: Point) -> bool:
    """True if p lies on the edge from a to b."""
    return (
        _side(a, b, p) == 0
        and min(a[0], b[0]) <= p[0] <= max(a[0], b[0])
        and min(a[1], b[1]) <= p[1] <= max(a[1], b[1])
    )


def _direction(start: Point, end: Point) -> tuple[int, float]:
    """Return a key that sorts by the angle from start to end and is equal for equal angles."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    if abs(dx) >= abs(dy):
        return (0, dy / dx) if dx > 0 else (2, dy / dx)
    return (1, -dx / dy) if dy > 0 else (3, -dx / dy)
