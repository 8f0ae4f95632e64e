"""Random machines: a body, and parts in rows, pairs, corners and columns on it.

Machine space: x to the right, y up and z towards the person, as the master shows it. Parts
either look at the person (they sit on the plane z = 0), or stand on the body's top edge
(their axis along y), as valves stand in an upright door.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from demo_data.render import geometry as g
from models.training import fronts, parts_long, parts_round, parts_screw, parts_valve
from models.training.body import WIDTH, Machine, Slot, finish
from models.training.palette import F32, Rng, random_palette
from models.training.parts_base import Kit, Part

FRONTS = 0.5  # share of machines with towers and handles that stand far out
Family = Callable[[Kit, float], list[Part]]
# Family, weight on the face, weight on the top edge, radius as a share of the body's width.
FAMILIES: tuple[tuple[Family, float, float, tuple[float, float]], ...] = (
    (parts_round.bushing, 2.2, 0.8, (0.045, 0.10)),
    (parts_round.gasket, 3.4, 0.0, (0.09, 0.20)),
    (parts_round.plug, 1.3, 0.7, (0.035, 0.07)),
    (parts_round.ring_post, 1.0, 1.2, (0.045, 0.085)),
    (parts_round.stack, 1.2, 1.2, (0.045, 0.09)),
    (parts_round.cap, 0.9, 0.4, (0.045, 0.08)),
    (parts_round.collar, 0.7, 0.1, (0.05, 0.09)),
    (parts_valve.valves, 1.2, 5.0, (0.045, 0.075)),
    (parts_valve.shaft, 1.0, 0.0, (0.05, 0.09)),
    (parts_screw.hand_screws, 2.6, 1.0, (0.045, 0.085)),
    (parts_screw.screw, 1.8, 0.2, (0.03, 0.06)),
    (parts_screw.dial, 1.0, 0.3, (0.05, 0.09)),
    (parts_long.lever, 1.5, 0.2, (0.035, 0.06)),
    (parts_long.bent_pin, 1.8, 0.0, (0.05, 0.09)),
    (parts_long.clip, 0.9, 0.1, (0.05, 0.085)),
    (parts_long.blade, 0.7, 0.1, (0.07, 0.12)),
    (parts_long.shoes, 0.9, 0.0, (0.05, 0.09)),
    (parts_long.latch, 0.8, 0.0, (0.05, 0.09)),
)
# Families that often come together; the empty theme draws from all alike.
THEMES: tuple[tuple[Family, ...], ...] = (
    (parts_round.gasket, parts_round.bushing, parts_round.plug),
    (parts_round.gasket, parts_round.bushing, parts_round.ring_post, parts_round.stack),
    (parts_screw.hand_screws, parts_long.lever, parts_long.bent_pin),
    (parts_screw.hand_screws, parts_long.lever, parts_long.bent_pin, parts_round.ring_post),
    (parts_screw.hand_screws, parts_long.clip, parts_screw.dial, parts_long.latch),
    (parts_screw.screw,),
    (),
    (),
)


def random_machine(rng: Rng, textures: tuple[F32, ...]) -> Machine:
    """Return a random machine of 3 to 14 parts."""
    for _ in range(20):
        kit = Kit(rng, random_palette(rng, textures))
        if kit.chance(FRONTS):
            height = WIDTH * kit.u(0.42, 1.0)
            slots, housings, taken = fronts.front(kit, height)
            if len(slots) >= 3:
                return finish(kit, "upright", height, slots, housings, taken)
        kind = str(rng.choice(["lying", "upright", "standing"], p=[0.34, 0.40, 0.26]))
        height = WIDTH * (kit.u(0.3, 0.7) if kind == "standing" else kit.u(0.42, 0.95))
        slots = _Layout(kit, height).fill(kind)
        if len(slots) >= 3:
            return finish(kit, kind, height, slots)
    raise RuntimeError("no layout with 3 parts in 20 tries")


class _Layout:
    """Places groups of parts one after the other where there is room."""

    def __init__(self, kit: Kit, height: float) -> None:
        self.kit, self.height = kit, height
        self.taken: list[tuple[float, float, float, float]] = []
        self.slots: list[Slot] = []
        self.alike = 0
        self.theme = kit.any(THEMES)

    def fill(self, kind: str) -> list[Slot]:
        wanted = int(np.clip(round(3 + self.kit.rng.gamma(2.2, 2.0)), 3, 14))
        if kind == "standing":
            depth = WIDTH * self.kit.u(0.16, 0.32)
            for _ in range(6):
                if len(self.slots) < min(wanted, 6):
                    self._top_group(depth)
            self.depth = depth
            wanted = len(self.slots) + (self.kit.n(0, 5) if self.kit.chance(0.45) else 0)
            self.face_z = depth / 2
        else:
            self.depth, self.face_z = WIDTH * self.kit.u(0.06, 0.2), 0.0
        for _ in range(14):
            if len(self.slots) < wanted:
                self._face_group(wanted - len(self.slots), small=kind == "standing")
        return self.slots

    def _draw(self, column: int, share: float = 1.0) -> list[Part]:
        weights = np.array([row[column] for row in FAMILIES])
        if column == 1:
            likely = [row[0] in self.theme for row in FAMILIES]
            weights = weights * np.where(likely, 6.0, 1.0)
        k = int(self.kit.rng.choice(len(FAMILIES), p=weights / weights.sum()))
        low, high = FAMILIES[k][3]
        return FAMILIES[k][0](self.kit, WIDTH * self.kit.u(low, high) * share)

    # -- on the face -------------------------------------------------------------------

    def _face_group(self, room: int, small: bool) -> None:
        parts = self._draw(1, 0.7 if small else 1.0)
        if len(parts) == 2 and parts[0].family.endswith("shoe"):
            self._handed(parts)
            return
        if len(parts) == 2 and self.kit.chance(0.65) and room >= 3:
            count = 2 if self.kit.chance(0.8) else 1
            self._place(parts[0], count, band=1)
            self._place(parts[1], count, band=-1)
            return
        part = self.kit.any(parts)
        count = int(self.kit.rng.choice([1, 2, 3, 4], p=[0.28, 0.38, 0.17, 0.17]))
        self._place(part, min(count, max(room, 1)))

    def _handed(self, parts: list[Part]) -> None:
        hx, hy = parts[0].half
        for _ in range(25):
            x = self.kit.u(hx + 4, WIDTH / 2 - hx - 6)
            y = self.kit.u(-1, 1) * max(self.height / 2 - hy - 6, 0)
            if self._free([(-x, y), (x, y)], (hx, hy)):
                for part, side in zip(parts, (-x, x), strict=True):
                    self._add(part, side, y, 0.0, (hx, hy))
                return

    def _place(self, part: Part, count: int, band: int = 0) -> None:
        """Place ``count`` alike parts; ``band`` +1 keeps them in the upper half, -1 below."""
        angle = float(self.kit.rng.choice([0.0, 90.0, 180.0, -90.0], p=[0.7, 0.1, 0.1, 0.1]))
        half = part.half if angle in (0.0, 180.0) else part.half[::-1]
        for _ in range(30):
            spots = self._spots(count, half, band)
            if self._free(spots, half):
                mirror = self.kit.chance(0.15) and not part.free_turn
                start = self.alike
                for x, y in spots:
                    flipped = mirror and x > 1
                    self._add(
                        part,
                        x,
                        y,
                        angle + (180 if flipped else 0),
                        half,
                        start + (1 if flipped else 0),
                    )
                self.alike = start + 2
                if part.inner > 9:
                    self._nest(part, spots)
                return

    def _spots(self, count: int, half: tuple[float, float], band: int) -> list[tuple[float, float]]:
        kit, (hx, hy) = self.kit, half
        wide, tall = max(WIDTH / 2 - hx - 5, 1.0), max(self.height / 2 - hy - 5, 1.0)
        y = kit.u(0.1, 1.0) * tall * band if band else kit.u(-1, 1) * tall
        x = kit.u(0.15, 1) * wide
        if count == 1:
            return [(0.0 if kit.chance(0.45) else kit.u(-1, 1) * wide, y)]
        if count == 2:
            if kit.chance(0.8) or band:
                return [(-x, y), (x, y)]
            return (
                [(0.0, -abs(y)), (0.0, abs(y))]
                if kit.chance(0.5)
                else [(kit.u(-1, 1) * wide, kit.u(-1, 1) * tall) for _ in range(2)]
            )
        if count == 3:
            return [(-x, y), (0.0, y), (x, y)]
        if kit.chance(0.6):
            y = kit.u(0.3, 1) * tall
            return [(-x, y), (x, y), (-x, -y), (x, -y)]
        return [(k * x, y) for k in (-1.0, -1 / 3, 1 / 3, 1.0)]

    def _free(self, spots: list[tuple[float, float]], half: tuple[float, float]) -> bool:
        boxes = [(x - half[0], y - half[1], x + half[0], y + half[1]) for x, y in spots]
        for k, a in enumerate(boxes):
            if (
                a[0] < -WIDTH / 2
                or a[2] > WIDTH / 2
                or abs(a[1]) > self.height / 2
                or (abs(a[3]) > self.height / 2)
            ):
                return False
            for b in [*self.taken, *boxes[:k]]:
                if a[0] < b[2] + 3 and b[0] < a[2] + 3 and a[1] < b[3] + 3 and b[1] < a[3] + 3:
                    return False
        return True

    def _add(
        self,
        part: Part,
        x: float,
        y: float,
        angle: float,
        half: tuple[float, float],
        alike: int | None = None,
    ) -> None:
        box = (x - half[0], y - half[1], x + half[0], y + half[1])
        if alike is None:
            alike, self.alike = self.alike, self.alike + 1
        self.taken.append(box)
        place = g.shift(x, y, self.face_z) @ g.turn(angle)
        self.slots.append(Slot(part, place, alike, box))

    def _nest(self, outer: Part, spots: list[tuple[float, float]]) -> None:
        """Often put a smaller round part inside each gasket."""
        if self.kit.chance(0.35) or len(self.slots) + len(spots) > 14:
            return
        family = self.kit.any(
            [
                parts_round.bushing,
                parts_round.bushing,
                parts_round.stack,
                parts_round.plug,
                parts_round.ring_post,
            ]
        )
        part = family(self.kit, min(outer.inner * self.kit.u(0.45, 0.9), WIDTH * 0.09))[0]
        for x, y in spots:
            self._add(part, x, y, 0.0, part.half, self.alike)
        self.alike += 1

    # -- on the top edge ---------------------------------------------------------------

    def _top_group(self, depth: float) -> None:
        kit = self.kit
        parts = self._draw(2)
        if max(p.half[1] for p in parts) > depth / 2 - 1:
            return
        taken = [(s.box[0], s.box[2]) for s in self.slots]
        if len(parts) == 2 and not taken and kit.chance(0.75):
            half = parts[0].half[0]
            x = kit.u(half * 2.3, min(WIDTH / 2 - half - 5, half * 5))
            chosen = [(parts[0], -x), (parts[1], 0.0), (parts[0], x)]
        else:
            part = kit.any(parts)
            half = part.half[0]
            wide = WIDTH / 2 - half - 4
            count = kit.n(1, 3)
            x = kit.u(0.25, 1) * wide
            chosen = [
                (part, p)
                for p in {1: [0.0 if kit.chance(0.5) else x], 2: [-x, x], 3: [-x, 0.0, x]}[count]
            ]
        spans = [(x - p.half[0], x + p.half[0]) for p, x in chosen]
        for k, (a, b) in enumerate(spans):
            if any(a < d + 3 and c < b + 3 for c, d in [*taken, *spans[:k]]):
                return
        names: dict[int, int] = {}
        for part, x in chosen:
            if id(part) not in names:
                names[id(part)], self.alike = self.alike, self.alike + 1
            place = g.shift(x=x, y=self.height / 2) @ fronts.STAND
            box = (x - part.half[0], 1e6, x + part.half[0], 1e6)
            self.slots.append(Slot(part, place, names[id(part)], box))
