"""What a random part is: its site on the body, its right state and its wrong states.

Part space: z = 0 is the body's surface, +z points away from it, -y is the side that faces
the person when the part stands upright. Lengths in millimetres.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from demo_data.render import geometry as g
from demo_data.render.spec import Material, Mesh
from models.training.palette import Palette, Rng

F64 = NDArray[np.float64]
Profile = list[tuple[float, float]]
T = TypeVar("T")


@dataclass(frozen=True)
class Piece:
    """A mesh in part space with its surface."""

    mesh: Mesh
    material: Material

    def moved(self, transform: F64) -> Piece:
        """Return the piece under a (4, 4) transform."""
        return Piece(self.mesh.moved(transform), self.material)


@dataclass(frozen=True)
class State:
    """One way in which a part can be.

    Attributes:
        how: right, absent, turned, flipped, swapped, displaced or other.
        name: finer words for people (``upper ring missing``).
        variants: looks of this state; any of them may be drawn.
    """

    how: str
    name: str
    variants: tuple[tuple[Piece, ...], ...]


@dataclass(frozen=True)
class Part:
    """A part family with all sizes and colours drawn.

    Attributes:
        family: its name.
        half: half extents (x, y) of the place it needs.
        states: the right one first.
        site: pieces that stay when the part is absent (bosses, studs).
        holes: closed meshes that are cut out of the body.
        free_turn: any turn about z is harmless.
        play: harmless shift in mm, and turn in degrees where it may not turn freely.
        deep: its states show from the side; the master's camera should be tilted.
        inner: radius inside which another part may sit, 0 for none.
    """

    family: str
    half: tuple[float, float]
    states: tuple[State, ...]
    site: tuple[Piece, ...] = ()
    holes: tuple[Mesh, ...] = ()
    free_turn: bool = False
    play: tuple[float, float] = (0.2, 2.0)
    deep: bool = False
    inner: float = 0.0

    def with_states(self, extra: Sequence[State]) -> Part:
        """Return this part with more states."""
        return replace(self, states=(*self.states, *extra))


@dataclass
class Kit:
    """Draws sizes and surfaces of one machine."""

    rng: Rng
    palette: Palette
    body: Material = field(init=False)

    def __post_init__(self) -> None:
        self.body = self.palette.body

    def u(self, low: float, high: float) -> float:
        """Return a uniform number."""
        return float(self.rng.uniform(low, high))

    def n(self, low: int, high: int) -> int:
        """Return a whole number from ``low`` to ``high``, both included."""
        return int(self.rng.integers(low, high + 1))

    def chance(self, p: float) -> bool:
        """Return True with probability ``p``."""
        return bool(self.rng.random() < p)

    def any(self, options: Sequence[T]) -> T:
        """Return one of ``options``."""
        return options[int(self.rng.integers(len(options)))]

    def plastic(self) -> Material:
        """Return one of the machine's plastics."""
        return self.any(self.palette.plastics)

    def metal(self) -> Material:
        """Return one of the machine's metals."""
        return self.any(self.palette.metals)

    def rubber(self) -> Material:
        """Return one of the machine's rubbers."""
        return self.any(self.palette.rubbers)

    def hard(self) -> Material:
        """Return a plastic or, less often, a metal."""
        return self.metal() if self.chance(0.3) else self.plastic()

    def base(self) -> Material:
        """Return what bosses and lugs are made of: mostly the body itself."""
        if self.body.texture is not None:
            return self.palette.metals[0]
        return self.body if self.chance(0.8) else self.hard()

    def pick_states(self, states: Sequence[State | None], most: int = 5) -> tuple[State, ...]:
        """Return the right state and a random choice of the others, at most ``most``."""
        right, *wrong = [s for s in states if s is not None]
        keep = int(self.rng.integers(min(2, len(wrong)), min(len(wrong), most) + 1))
        order = sorted(self.rng.permutation(len(wrong))[:keep].tolist())
        return (right, *(wrong[k] for k in order))


Family = Callable[[Kit, float], list[Part]]


def state(how: str, name: str, *variants: Sequence[Piece]) -> State:
    """Return a :class:`State`; no variant means that nothing is drawn."""
    return State(how, name, tuple(tuple(v) for v in variants) or ((),))


def absent() -> State:
    """Return the state in which the part is missing."""
    return state("absent", "missing")


def moved(pieces: Sequence[Piece], *transforms: F64) -> list[Piece]:
    """Return pieces under transforms, the first applied first."""
    total = np.eye(4)
    for transform in transforms:
        total = transform @ total
    return [p.moved(total) for p in pieces]


def soft(profile: Sequence[tuple[float, float]], radius: float) -> F64:
    """Return a profile with its corners rounded; points on the axis stay sharp."""
    points = np.asarray(profile, float)
    if np.allclose(points[0], points[-1]):  # closed: start in the middle of an edge
        middle = (points[0] + points[1]) / 2
        points = np.concatenate([[middle], points[1:], [middle]])
    return g.fillet(points, radius, steps=4)


def flip(height: float) -> F64:
    """Return the transform that stands a part of this height on its head."""
    return g.shift(z=height) @ g.turn(180, (1, 0, 0))


def tilts(kit: Kit, lift: float, degrees: float, count: int = 3) -> list[F64]:
    """Return transforms that lift a part and tilt it to several sides."""
    start = kit.u(0, 360)
    out = []
    for k in range(count):
        angle = np.radians(start + 360 * k / count)
        axis = (np.cos(angle), np.sin(angle), 0.0)
        out.append(g.shift(z=lift) @ g.turn(degrees, axis))
    return out


def thread(radius: float, height: float, pitch: float = 1.6) -> Mesh:
    """Return a stud with thread-like rings from z = 0 to ``height``."""
    count = max(2, int(height / pitch))
    profile: Profile = [(0.0, 0.0), (radius * 0.86, 0.0)]
    for k in range(count):
        low = height * k / count
        profile += [(radius, low + height / count * 0.4), (radius * 0.86, low + height / count)]
    profile += [(radius * 0.7, height + radius * 0.15), (0.0, height + radius * 0.15)]
    return g.lathe(profile, 20)
