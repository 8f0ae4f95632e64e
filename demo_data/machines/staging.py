"""Where each view is taken: what the machine's part stands on, and what it may be mistaken for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from demo_data.render.spec import F64, Item, Mesh


class Place(Enum):
    """What surrounds the parts of a view."""

    BENCH_TOP = "lies on the bench, seen from above"
    BENCH = "stands on the bench before a wall"
    FREEZER = "is mounted on the freezer's front"
    HOPPER = "sits on the raked back of the hopper, seen from the front and above"


@dataclass(frozen=True)
class Setting:
    """How one view is taken.

    Attributes:
        place: what surrounds it.
        low_pitch: lowest camera pitch, degrees (a bench or a rim is in the way below).
        mistaken_for: the view that a photo of the wrong thing shows.
        fill: share of the master's width that body and parts take.
    """

    place: Place
    low_pitch: float
    mistaken_for: str
    fill: float = 0.75


SETTINGS: Mapping[str, Setting] = {
    "pump": Setting(Place.HOPPER, -6.0, "barrels"),
    "seals": Setting(Place.BENCH_TOP, -25.0, "pump"),
    "barrels": Setting(Place.FREEZER, -25.0, "door-front", 0.86),
    "valves": Setting(Place.BENCH, -8.0, "door-back"),
    "door-back": Setting(Place.BENCH_TOP, -25.0, "valves"),
    "door-front": Setting(Place.FREEZER, -25.0, "door-back"),
}


@dataclass(frozen=True)
class Assembly:
    """The machine's share of a scene.

    Attributes:
        items: all that is drawn.
        body: mesh of the rigid thing that the parts sit on.
        parts: (N, 3) world points of what can be seen of each part, or of its seat.
        plane: world z of the plane on which the parts sit.
        ring: (K, 2) outline of the body on that plane, counter-clockwise about the origin.
    """

    items: tuple[Item, ...]
    body: Mesh
    parts: Mapping[str, F64]
    plane: float
    ring: F64


States = Mapping[str, str]  # part id to state, for parts that are not as they should be
