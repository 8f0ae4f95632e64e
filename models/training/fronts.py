"""Random fronts: a plate with towers that stand far out, and handles that stand out farther.

What the other machines lack: parts and housings whose tops lie a fifth to a half of the width
above the plane that the rest is placed by, so that they wander over it as the camera moves.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from demo_data.render import geometry as g
from demo_data.render.spec import Material, Mesh
from models.training import parts_round, parts_screw, parts_valve
from models.training.body import WIDTH, Box, Slot
from models.training.parts_base import F64, Kit, Part, Piece, absent, moved, state

# Part space to machine space for what stands on a tower: z to y, -y to z.
STAND = np.array([[1.0, 0, 0, 0], [0, 0, 1.0, 0], [0, -1.0, 0, 0], [0, 0, 0, 1.0]])
MOST = 14  # parts of a front


@dataclass(frozen=True)
class Tower:
    """A housing along y in front of the plate.

    Attributes:
        x: of its middle.
        radius: half of its width.
        axis: how far (z) its axis lies in front of the plate.
        low, top: heights (y) of its ends.
    """

    x: float
    radius: float
    axis: float
    low: float
    top: float

    @property
    def front(self) -> float:
        return self.axis + self.radius


def front(kit: Kit, height: float) -> tuple[list[Slot], list[Piece], list[Box]]:
    """Return the slots of a plate of ``height`` mm, its towers, and what these take of it."""
    towers = _towers(kit, height)
    built = _Front(kit, height, towers)
    built.screws()
    built.plugs()
    if kit.chance(0.85):
        built.handles()
    if kit.chance(0.7) and len(built.slots) + len(towers) <= MOST:
        built.tops()
    behind = _machine_behind(kit, height) if kit.chance(0.6) else []
    return built.slots, built.pieces + behind, built.taken


def _machine_behind(kit: Kit, height: float) -> list[Piece]:
    """Return the front that the plate sits in: a sheet, a strip with buttons, a tray below."""
    wide, sheet = WIDTH * kit.u(1.02, 1.7), kit.any([kit.metal, kit.metal, kit.plastic])()
    top, low = height * kit.u(0.52, 0.9), -height * kit.u(0.55, 1.6)
    z = -WIDTH * kit.u(0.01, 0.05)
    out = [Piece(_block((-wide / 2, low), (wide / 2, top), z - 3.0, z), sheet)]
    if kit.chance(0.7):
        tall, thick = height * kit.u(0.12, 0.3), WIDTH * kit.u(0.01, 0.15)
        end = wide / 2 * kit.u(0.95, 1.05)
        out.append(Piece(_block((-end, top), (end, top + tall), z - 3.0, z + thick), kit.hard()))
        r, face = tall * kit.u(0.12, 0.3), z + thick
        for x in np.linspace(-0.8, 0.8, kit.n(1, 5)) * kit.u(0.3, 1.0) * end:
            button = g.cylinder(r, r * kit.u(0.1, 0.8), 0.4, 28)
            out.append(Piece(button.moved(g.shift(x, top + tall / 2, face)), kit.hard()))
    if kit.chance(0.5):
        end, deep = wide / 2 * kit.u(0.5, 1.0), WIDTH * kit.u(0.1, 0.5)
        out.append(Piece(_block((-end, low), (end, low + 8), z, z + deep), kit.hard()))
    return out


def _block(start: tuple[float, float], end: tuple[float, float], back: float, face: float) -> Mesh:
    """Return a box from corner to corner (x, y), from ``back`` to ``face`` (z)."""
    (x0, y0), (x1, y1) = start, end
    box = g.rounded_box(x1 - x0, y1 - y0, face - back, 2.0, 0.5)
    return box.moved(g.shift((x0 + x1) / 2, (y0 + y1) / 2, back))


def _towers(kit: Kit, height: float) -> list[Tower]:
    count = int(kit.rng.choice([1, 2, 3, 4], p=[0.42, 0.18, 0.3, 0.1]))
    radius = WIDTH * kit.u(0.045, 0.13 if count < 3 else 0.075)
    reach = WIDTH / 2 - radius - WIDTH * 0.13
    step = min(kit.u(2.4, 5.0) * radius, 2 * reach / max(count - 1, 1))
    middle = kit.u(-0.12, 0.12) * WIDTH if count == 1 and kit.chance(0.2) else 0.0
    axis = radius * kit.u(0.1, 1.3)
    low, top = height * kit.u(-0.75, -0.1), height * kit.u(0.22, 0.6)
    return [
        Tower(middle + (k - (count - 1) / 2) * step, radius, axis, low, top) for k in range(count)
    ]


class _Front:
    """Puts towers and parts on one plate."""

    def __init__(self, kit: Kit, height: float, towers: list[Tower]) -> None:
        self.kit, self.height, self.towers = kit, height, towers
        self.slots: list[Slot] = []
        self.alike = 0
        self.taken: list[Box] = [(t.x - t.radius, t.low, t.x + t.radius, t.top) for t in towers]
        skin = kit.body if kit.chance(0.85) and kit.body.texture is None else kit.hard()
        square, spout = kit.chance(0.4), kit.chance(0.6)
        draw = kit.u(0.4, 0.8), kit.u(0.3, 0.8)
        self.pieces = [Piece(_housing(t, square, spout, draw), skin) for t in towers]

    def _add(self, part: Part, place: F64, box: Box, alike: int) -> None:
        self.slots.append(Slot(part, place, alike, box))

    def _row(self, part: Part, spots: list[tuple[float, float]]) -> bool:
        """Put ``part`` on the plate at all of ``spots`` where these are free."""
        (hx, hy), x_end, y_end = part.half, WIDTH / 2, self.height / 2
        boxes = [(x - hx, y - hy, x + hx, y + hy) for x, y in spots]
        for k, a in enumerate(boxes):
            if max(-a[0], a[2]) > x_end or max(-a[1], a[3]) > y_end:
                return False
            for b in [*self.taken, *boxes[:k]]:
                if a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]:
                    return False
        for (x, y), box in zip(spots, boxes, strict=True):
            self._add(part, g.shift(x, y), box, self.alike)
        self.taken += boxes
        self.alike += 1
        return True

    # -- on the plate ------------------------------------------------------------------

    def screws(self) -> None:
        """Put hand-screws near the corners: tall above short, or all of one length."""
        kit = self.kit
        if kit.chance(0.12):
            return
        r = WIDTH * kit.u(0.035, 0.08)
        tall, short = parts_screw.hand_screws(kit, r)
        if kit.chance(0.25):
            tall = short = kit.any([tall, short])
        x = WIDTH / 2 - r - kit.u(1, 0.06 * WIDTH)
        ends = self.height / 2 - r - 1
        for part, side in ((tall, 1.0), (short, -1.0)):
            for _ in range(5):
                y = side * ends * kit.u(0.2, 1.0)
                if self._row(part, [(-x, y), (x, y)]):
                    break

    def plugs(self) -> None:
        """Put a plug, or a mirrored pair, or other small things on the plate."""
        kit = self.kit
        for _ in range(kit.n(0, 2)):
            family = kit.any([parts_round.plug, parts_round.plug, parts_round.cap])
            part = family(kit, WIDTH * kit.u(0.022, 0.045))[0]
            for _ in range(8):
                x, y = kit.u(0.1, 0.95) * WIDTH / 2, kit.u(-0.95, 0.95) * self.height / 2
                if self._row(part, [(-x, y), (x, y)] if kit.chance(0.7) else [(x, y)]):
                    break

    # -- on the towers -----------------------------------------------------------------

    def handles(self) -> None:
        """Hang a handle before each tower, often on a pin through lugs."""
        kit, first = self.kit, self.towers[0]
        r = min(first.radius, WIDTH * 0.07)
        y = first.low + (first.top - first.low) * kit.u(0.55, 0.95)
        pivot = first.front + kit.u(0.12, 0.6) * r
        part, lift = _grounded(handle(kit, r, first.top - y, pivot - first.axis))
        for t in self.towers:
            self._add(part, g.shift(t.x, y, pivot - lift), (t.x, y, t.x, y), self.alike)
        self.alike += 1
        lugs = kit.chance(0.75)
        for t in self.towers if lugs else []:
            for side in (-1, 1):
                long = pivot - t.axis + r * 0.35
                lug = g.rounded_box(r * 0.22, r * 0.7, long, 0.5, 0.4)
                where = g.shift(t.x + side * r * 0.62, y, t.axis)
                self.pieces.append(Piece(lug.moved(where), self.pieces[0].material))
        if lugs and kit.chance(0.8):
            self._pins(r, y, pivot)

    def _pins(self, r: float, y: float, z: float) -> None:
        kit = self.kit
        ends = [(t.x, t.x) for t in self.towers]
        if len(ends) > 1 and (kit.chance(0.7) or len(self.slots) + len(ends) > MOST):
            ends = [(ends[0][0], ends[-1][0])]
        out, leg, rod = r * kit.u(1.0, 1.8), r * kit.u(0.5, 1.6), r * kit.u(0.1, 0.2)
        half = (ends[0][1] - ends[0][0]) / 2 + out
        part, lift = _grounded(cross_pin(kit, half, leg, rod))
        for a, b in ends:
            middle = (a + b) / 2
            self._add(part, g.shift(middle, y, z - lift), (middle, y, middle, y), self.alike)
        self.alike += 1

    def tops(self) -> None:
        """Let a stem stand out of each tower's top; the middle one may be another."""
        kit, first = self.kit, self.towers[0]
        r = first.radius * kit.u(0.45, 0.72)
        families = [parts_valve.valves, parts_valve.valves, parts_round.stack, parts_round.plug]
        parts = kit.any(families)(kit, r)
        special = len(parts) == 2 and len(self.towers) == 3 and kit.chance(0.6)
        for k, t in enumerate(self.towers):
            other = special and k == 1
            place = g.shift(t.x, t.top, t.axis) @ STAND
            box = (t.x - r, 1e6, t.x + r, 1e6)
            self._add(parts[1 if other else 0], place, box, self.alike + int(other))
        self.alike += 2


def _housing(t: Tower, square: bool, spout: bool, draw: tuple[float, float]) -> Mesh:
    """Return a tower with what joins it to the plate; ``draw`` narrows its spout."""
    tall = t.top - t.low
    body = (
        g.rounded_box(2 * t.radius, 2 * t.radius, tall, t.radius * 0.25, t.radius * 0.06)
        if square
        else g.cylinder(t.radius, tall, t.radius * 0.06, 48)
    )
    # From the standing frame (z up the tower) into machine space.
    made = [body.moved(g.shift(t.x, t.low, t.axis) @ STAND)]
    if t.axis > 1:
        web = g.rounded_box(2 * t.radius * draw[0], tall * 0.96, t.axis, 1.0)
        made.append(web.moved(g.shift(t.x, (t.low + t.top) / 2, 0.0)))
    if spout:
        long = t.radius * (0.4 + draw[1])
        nozzle = g.cone(t.radius * draw[0] * 0.7, t.radius * 0.95, long, 0.5, 40)
        made.append(nozzle.moved(g.shift(t.x, t.low - long + 0.2, t.axis) @ STAND))
    return g.merge(made)


def _grounded(part: Part) -> tuple[Part, float]:
    """Return the part with its lowest point at z = 0, and how far it was lifted for that."""
    looks = part.states[0].variants
    lift = -min(float(p.mesh.vertices[:, 2].min()) for look in looks for p in look)
    up = g.shift(z=lift)
    states = tuple(
        replace(s, variants=tuple(tuple(moved(v, up)) for v in s.variants)) for s in part.states
    )
    return replace(part, states=states), lift


def handle(kit: Kit, r: float, up: float, back: float) -> Part:
    """Return a handle that hangs on a cross axis at the origin, its lever down and outwards.

    Args:
        kit: draws it.
        r: size of its hub.
        up: how far above the axis its fork may reach, mm.
        back: how far behind the axis what the fork holds lies, mm.
    """
    metal = kit.any([kit.metal, kit.plastic])()
    grip = metal if kit.chance(0.35) else kit.hard()
    hub = g.tube(r * kit.u(0.3, 0.5), r * 0.15, r * 0.95, 0.5, 32)
    pieces = [Piece(hub.moved(g.turn(90, (0, 1, 0)) @ g.shift(z=-r * 0.475)), metal)]
    angle, long = np.radians(kit.u(-5, 80)), WIDTH * kit.u(0.1, 0.36)
    out = np.array([0.0, -np.cos(angle), np.sin(angle)]) * long
    pieces += _lever(kit, r, out, metal, grip)
    if kit.chance(0.55) and up > r * 0.4:
        rod, rise = r * kit.u(0.14, 0.26), up + r * kit.u(0.2, 1.2)
        for side in (-1, 1):
            x = side * r * kit.u(0.5, 0.62)
            path = [(side * r * 0.35, 0, 0), (x, r * 0.5, 0), (x, rise, 0), (x, rise, -back)]
            pieces.append(Piece(g.wire(path, rod, 10, bend=r * 0.2), metal))
    small, far = kit.u(14, 30), kit.u(45, 85)
    side_on = g.turn(180, (0, 0, 1))
    states = kit.pick_states(
        [
            state("right", "hanging", pieces),
            absent(),
            state("turned", "lifted a little", moved(pieces, g.turn(-small, (1, 0, 0)))),
            state("turned", "lifted", moved(pieces, g.turn(-far, (1, 0, 0)))),
            state("flipped", "upside-down", moved(pieces, side_on)),
            state("displaced", "not pushed on", moved(pieces, g.shift(z=r * kit.u(0.5, 1.0)))),
        ]
    )
    return Part("handle", (r, r), states, (), (), False, (0.2, 1.5), deep=True)


def _lever(kit: Kit, r: float, out: F64, metal: Material, grip: Material) -> list[Piece]:
    """Return what a hand takes: a rod with a ball, a bar, a flat paddle or a loop of wire."""
    along, long = g.frame((0, 0, 0), out), float(np.linalg.norm(out))
    end = g.shift(*out)
    kind = kit.any(["ball", "bar", "paddle", "loop"])
    if kind == "paddle":
        wide, thick = r * kit.u(0.6, 1.5), r * kit.u(0.2, 0.45)
        outline = g.rounded_rectangle(wide, thick, thick * 0.35)
        flat = g.frame((0, 0, 0), out, (1, 0, 0))
        return [Piece(g.extrude(outline, long, thick * 0.15).moved(flat), grip)]
    across = g.turn(90, (0, 1, 0))
    bar_long = r * kit.u(0.9, 2.0)
    bar = g.cylinder(r * kit.u(0.18, 0.4), bar_long, r * 0.05, 24)
    bar = bar.moved(end @ across @ g.shift(z=-bar_long / 2))
    if kind == "loop":
        x, knee = bar_long / 2, out * 0.25
        path = [(-r * 0.3, 0, 0), (-x, *knee[1:]), (-x, *out[1:]), (x, *out[1:]), (x, *knee[1:])]
        wire = g.wire([*path, (r * 0.3, 0, 0)], r * kit.u(0.16, 0.3), 12, bend=r * 0.3)
        return [Piece(wire, metal)] + ([Piece(bar, grip)] if kit.chance(0.7) else [])
    rod = g.cone(r * kit.u(0.18, 0.32), r * kit.u(0.12, 0.26), long).moved(along)
    tip = g.sphere(r * kit.u(0.4, 0.75), 24, 12).moved(end) if kind == "ball" else bar
    return [Piece(rod, metal), Piece(tip, grip)]


def cross_pin(kit: Kit, half: float, leg: float, rod: float) -> Part:
    """Return a pin along x through the origin, ``half`` mm to each side; its end hangs down.

    Args:
        kit: draws it.
        half: half of its length, mm.
        leg: length of the bent end, mm.
        rod: radius, mm.
    """
    skin = kit.metal()

    def pin(angle: float, pull: float = 0.0) -> list[Piece]:
        a = np.radians(angle)
        end = np.array([half, -np.cos(a) * leg, np.sin(a) * leg])
        path = np.array([[-half, 0, 0], [half, 0, 0], end]) + np.array([pull, 0, 0])
        return [Piece(g.wire(path, rod * 2, 12, bend=min(rod * 1.6, leg * 0.4)), skin)]

    mirror = g.scale(-1, 1, 1)
    sides = [np.eye(4), mirror] if kit.chance(0.5) else [np.eye(4)]
    right = [moved(pin(kit.u(-8, 5)), s) for s in sides]
    out = kit.u(50, 105)
    states = kit.pick_states(
        [
            state("right", "end flipped down", *right),
            absent(),
            state("turned", "end not flipped", *[moved(pin(out), s) for s in sides]),
            state("turned", "end upwards", *[moved(pin(kit.u(150, 185)), s) for s in sides]),
            state("displaced", "pulled half out", *[moved(pin(0, half * 0.5), s) for s in sides]),
        ]
    )
    return Part("cross pin", (half, leg), states, (), (), False, (0.3, 0.0))
