"""Where a machine is photographed: cameras, lamps, room, bench, clutter and what covers parts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_data.render import geometry as g
from demo_data.render.spec import Camera, Lamp, Material, Mesh
from models.training.layouts import WIDTH, Machine
from models.training.palette import F32, Rng, any_colour, metal, polymer
from models.training.parts_base import F64, Piece

Vec = tuple[float, float, float]


def _vec(values: F64) -> Vec:
    a, b, c = (float(v) for v in values)
    return a, b, c


# --- cameras --------------------------------------------------------------------------


def _view_direction(yaw: float, pitch: float) -> F64:
    """Return the unit vector from the body to a camera; positive pitch looks from above."""
    a, b = np.radians(yaw), np.radians(pitch)
    return np.array([np.sin(a) * np.cos(b), np.sin(b), np.cos(a) * np.cos(b)])


def _camera(
    target: F64, direction: F64, distance: float, roll: float, fov: float, size: tuple[int, int]
) -> Camera:
    up = np.array([0.0, 1.0, 0.0])
    right = np.cross(up, direction)
    right /= np.linalg.norm(right)
    up = np.cross(direction, right)
    a = np.radians(roll)
    turned = np.cos(a) * up + np.sin(a) * right
    return Camera(_vec(target + direction * distance), _vec(target), _vec(turned), fov, size)


def master_camera(rng: Rng, machine: Machine, extent: F64, size: tuple[int, int]) -> Camera:
    """Return an upright, nearly frontal camera; the machine fills 60 to 85 % of the width.

    Args:
        rng: draws the camera.
        machine: what is photographed.
        extent: (N, 3) points that must all be well inside the picture.
        size: of the picture.
    """
    deep = any(s.part.deep for s in machine.slots)
    yaw = rng.uniform(-10, 10)
    pitch = rng.uniform(-3, 18) if machine.kind == "standing" else rng.uniform(-10, 10)
    if deep and machine.kind != "standing":
        # Looked at from the end, lengths and gaps could not be told: stand aside a little.
        tilt, way = rng.uniform(8, 19), rng.uniform(0, 2 * np.pi)
        yaw, pitch = tilt * np.cos(way), tilt * np.sin(way)
    middle = (extent.min(0) + extent.max(0)) / 2
    fov, fill = rng.uniform(50, 72), rng.uniform(0.62, 0.85)
    direction = _view_direction(yaw, pitch)
    distance = 400.0
    for _ in range(6):
        camera = _camera(middle, direction, distance, rng.uniform(-2, 2), fov, size)
        seen = camera.project(extent)
        spread = (seen.max(0) - seen.min(0)) / (size[0] * fill, size[1] * 0.92)
        distance *= float(spread.max()) ** 0.9
        centre = (seen.max(0) + seen.min(0)) / 2 - (size[0] / 2, size[1] / 2)
        right = np.cross((0.0, 1.0, 0.0), direction)
        step = distance * 2 * np.tan(np.radians(fov) / 2) / size[0] * 0.7
        middle = middle + right / np.linalg.norm(right) * centre[0] * step
        middle = middle - np.cross(direction, right / np.linalg.norm(right)) * centre[1] * step
    return _camera(middle, direction, distance, rng.uniform(-2, 2), fov, size)


def _roll(rng: Rng) -> float:
    kind = rng.random()
    if kind < 0.6:
        return float(rng.uniform(-15, 15))
    if kind < 0.75:
        return float(180 + rng.uniform(-15, 15))
    if kind < 0.85:
        return float(rng.choice([-90, 90]) + rng.uniform(-15, 15))
    return float(rng.uniform(-180, 180))


def photo_camera(
    rng: Rng, master: Camera, extent: F64, rectangle: F64, mild: bool
) -> Camera:
    """Return a phone's camera: tilt to 32°, any roll, 0.55 to 1.8 times the master's distance.

    Nearly always most of the body is in the picture; ``mild`` keeps near the master's pose.
    """
    size = master.size
    base = np.asarray(master.position) - np.asarray(master.target)
    distance = float(np.linalg.norm(base))
    target = np.asarray(master.target)
    reach = 13.0 if mild else 32.0
    least = 0.55 if rng.random() < 0.08 else 0.85
    for attempt in range(30):
        yaw = np.degrees(np.arctan2(base[0], base[2])) * rng.uniform(0, 1)
        pitch = np.degrees(np.arcsin(base[1] / distance)) * rng.uniform(0.3, 1)
        tilt, way = reach * np.sqrt(rng.uniform(0, 1)), rng.uniform(0, 2 * np.pi)
        yaw, pitch = yaw + tilt * np.cos(way), pitch + tilt * np.sin(way)
        direction = _view_direction(yaw, pitch)
        if direction[2] < np.cos(np.radians(36)):
            continue
        fov = rng.uniform(50, 75)
        wide = np.tan(np.radians(master.fov_x_deg) / 2) / np.tan(np.radians(fov) / 2)
        low, high = (0.85, 1.25) if mild else (0.55, 1.8)
        factor = float(np.exp(rng.uniform(np.log(low), np.log(high)))) * (1 + 0.02 * attempt)
        roll = rng.uniform(-8, 8) if mild else _roll(rng)
        aim = target + rng.normal(0, 0.035 if mild else 0.09, 3) * WIDTH * (1, 1, 0.2)
        camera = _camera(aim, direction, distance * wide * factor, roll, fov, size)
        if _share_inside(camera, extent) > (0.97 if mild else least) and (
            _share_inside(camera, rectangle) > least - 0.05
        ):
            return camera
    return master


def _share_inside(camera: Camera, points: F64) -> float:
    if len(points) == 4:
        s, t = np.meshgrid(np.linspace(0, 1, 9), np.linspace(0, 1, 9))
        s, t = s.reshape(-1, 1), t.reshape(-1, 1)
        points = points[0] + s * (points[1] - points[0]) + t * (points[3] - points[0])
    seen = camera.project(points)
    inside = (seen >= 0).all(1) & (seen <= np.asarray(camera.size) - 1.0).all(1)
    return float(inside.mean())


# --- light ----------------------------------------------------------------------------


def _temperature(kelvin: float) -> F64:
    """Return a lamp's linear colour, roughly, by its temperature; green is 1 (own fit)."""
    x = np.clip((kelvin - 2500) / 5000, 0, 1)
    return np.array([1.55 - 0.72 * x, 1.0, 0.38 + 0.85 * x])


def lamps(rng: Rng, good: bool) -> tuple[tuple[Lamp, ...], Vec]:
    """Return lamps and the sky's radiance; ``good`` is ordinary even light."""
    kelvin = rng.uniform(3800, 6000) if good else rng.uniform(2600, 7200)
    count = 2 if good else int(rng.choice([1, 2, 3, 4], p=[0.35, 0.3, 0.2, 0.15]))
    out = []
    for _ in range(count):
        polar = np.radians(rng.uniform(15, 55) if good else rng.uniform(5, 78))
        way = rng.uniform(0, 2 * np.pi)
        toward = np.array([np.sin(polar) * np.cos(way), np.sin(polar) * np.sin(way) * 0.8 + 0.15, np.cos(polar)])
        toward /= np.linalg.norm(toward)
        distance = rng.uniform(700, 1500)
        side = rng.uniform(300, 700) if good else float(np.exp(rng.uniform(np.log(60), np.log(700))))
        size = (side, side * (rng.uniform(0.5, 1) if rng.random() < 0.6 else rng.uniform(0.1, 0.3)))
        light = rng.uniform(0.8, 1.6) if good else float(np.exp(rng.normal(0, 0.6)))
        radiance = light * distance**2 / (size[0] * size[1])
        colour = _temperature(kelvin * np.exp(rng.normal(0, 0.06 if good else 0.16))) * radiance
        aim = -toward + rng.normal(0, 0.08, 3)
        out.append(Lamp(_vec(toward * distance), _vec(aim), size, _vec(colour)))
    strength = rng.uniform(0.15, 0.35) if good else float(np.exp(rng.uniform(np.log(0.015), np.log(0.4))))
    return tuple(out), _vec(_temperature(kelvin * np.exp(rng.normal(0, 0.12))) * strength)


# --- room, bench, clutter -------------------------------------------------------------


@dataclass(frozen=True)
class Props:
    """Things made once for each process: clutter shapes and textures."""

    shapes: tuple[tuple[Mesh, float], ...]  # mesh that stands on z = 0, radius that it needs
    textures: tuple[F32, ...]


def make_props(rng: Rng, textures: tuple[F32, ...]) -> Props:
    """Return about forty clutter shapes: cups, tubes, boxes, tools, screws, cloths."""
    shapes: list[tuple[Mesh, float]] = []
    for _ in range(5):
        r, h = rng.uniform(25, 45), rng.uniform(50, 120)
        cup = [(0, 0), (r * 0.8, 0), (r, h), (r * 0.93, h), (r * 0.74, 4), (0, 4)]
        shapes.append((g.lathe(np.array(cup), 36), r))
        a, b = rng.uniform(15, 60, 2)
        shapes.append((g.rounded_box(a * 2, b * 2, rng.uniform(4, 60), 4, 1.5), float(np.hypot(a, b))))
        r = rng.uniform(4, 22)
        shapes.append((g.tube(r, r * rng.uniform(0.4, 0.85), rng.uniform(4, 40), 0.6, 32), r))
        shapes.append((g.torus(rng.uniform(10, 30), rng.uniform(2, 6), 40, 8).moved(g.shift(z=2)), 33.0))
        shapes.append((_bottle(rng), 26.0))
        shapes.append((_lying_tool(rng), 75.0))
        shapes.append((_small_screw(rng), 12.0))
        shapes.append((g.knob(rng.uniform(10, 22), rng.uniform(8, 18), int(rng.choice([0, 4, 6]))), 22.0))
    return Props(tuple(shapes), textures)


def _bottle(rng: Rng) -> Mesh:
    r, h = rng.uniform(15, 26), rng.uniform(60, 130)
    profile = [(0, 0), (r, 0), (r, h * 0.6), (r * 0.4, h * 0.75), (r * 0.4, h * 0.8), (r * 0.5, h * 0.8),
               (r * 0.5, h), (0, h)]
    return g.lathe(g.fillet(np.array(profile), 4), 32)


def _lying_tool(rng: Rng) -> Mesh:
    long = rng.uniform(60, 130)
    if rng.random() < 0.5:
        grip = g.cylinder(rng.uniform(8, 13), long * 0.6, 3, 24)
        rod = g.cylinder(3.0, long, 0.3, 16).moved(g.shift(z=long * 0.55))
        return g.merge([grip, rod]).moved(g.shift(z=11, x=-long / 2) @ g.turn(90, (0, 1, 0)))
    bar = g.rounded_box(long, 14, 5, 6, 1).moved(g.shift(z=1))
    ring = g.tube(13, 8, 7, 0.6, 28).moved(g.shift(x=long / 2))
    return g.merge([bar, ring])


def _small_screw(rng: Rng) -> Mesh:
    rod = g.cylinder(rng.uniform(1.5, 3), rng.uniform(10, 22), 0.3, 14)
    head = g.cylinder(rng.uniform(3.5, 6), 3, 0.5, 20)
    return g.merge([rod, head]).moved(g.shift(z=4) @ g.turn(90, (0, 1, 0)))


def _sheet(origin: F64, x_axis: F64, y_axis: F64, uv: float) -> Mesh:
    """Return a large flat quad with its texture repeated every ``uv`` mm."""
    corners = np.array([origin - x_axis - y_axis, origin + x_axis - y_axis, origin + x_axis + y_axis,
                        origin - x_axis + y_axis])
    wide, tall = np.linalg.norm(x_axis), np.linalg.norm(y_axis)
    coords = np.array([(-wide, -tall), (wide, -tall), (wide, tall), (-wide, tall)]) / uv
    normal = np.tile(np.cross(x_axis, y_axis), (4, 1))
    return g.make_mesh(corners, np.array([(0, 1, 2), (0, 2, 3)]), normal, coords)


@dataclass(frozen=True)
class Surroundings:
    """The bench or wall and floor of one place."""

    pieces: tuple[Piece, ...]
    stand: F64  # takes clutter (standing on z = 0) to the ground's frame, at the machine


def _surface(rng: Rng, props: Props) -> Material:
    rough = float(rng.uniform(0.15, 0.7))
    if rng.random() < 0.25:
        plain = any_colour(rng) if rng.random() < 0.6 else metal(rng)
        return Material(plain.base_color, plain.metallic, max(plain.roughness, 0.12))
    texture = props.textures[int(rng.integers(len(props.textures)))]
    metallic = 1.0 if rng.random() < 0.2 else 0.0
    return Material((0.5, 0.5, 0.5), metallic, rough, 0.4, texture=texture)


def surroundings(rng: Rng, machine: Machine, props: Props) -> Surroundings:
    """Return a bench under a lying machine, or a wall behind and a floor under an upright one."""
    uv = float(rng.uniform(120, 700))
    angle = rng.uniform(0, 2 * np.pi)
    x = np.array([np.cos(angle), np.sin(angle), 0]) * 3000
    y = np.array([-np.sin(angle), np.cos(angle), 0]) * 3000
    if machine.kind == "lying":
        ground = -machine.depth - (0.2 if rng.random() < 0.8 else rng.uniform(5, 25))
        bench = Piece(_sheet(np.array([0, 0, ground]), x, y, uv), _surface(rng, props))
        return Surroundings((bench,), g.shift(z=ground))
    far = -machine.depth - (rng.uniform(1, 8) if rng.random() < 0.35 else rng.uniform(60, 700))
    level = angle if rng.random() < 0.1 else 0.0
    x, y = 3000 * np.array([np.cos(level), np.sin(level), 0]), 3000 * np.array([-np.sin(level), np.cos(level), 0])
    wall = Piece(_sheet(np.array([0, 0, far]), x, y, uv), _surface(rng, props))
    floor_y = machine.low - (0.3 if machine.kind == "standing" or rng.random() < 0.5 else rng.uniform(20, 300))
    floor = Piece(
        _sheet(np.array([0, floor_y, 0]), np.array([3000.0, 0, 0]), np.array([0, 0, -3000.0]), uv),
        _surface(rng, props),
    )
    upright = np.array([[1.0, 0, 0, 0], [0, 0, 1.0, floor_y], [0, -1.0, 0, 0], [0, 0, 0, 1.0]])
    return Surroundings((wall, floor), upright)


def room(rng: Rng, camera: Camera) -> list[Piece]:
    """Return what shiny parts mirror: walls and cupboards, and the person with the phone."""
    out = []
    for _ in range(int(rng.integers(2, 5))):
        polar, way = np.radians(rng.uniform(20, 85)), rng.uniform(0, 2 * np.pi)
        at = np.array([np.sin(polar) * np.cos(way), np.sin(polar) * np.sin(way), np.cos(polar)]) * 2100
        place = g.frame(at, -at)
        half = rng.uniform(250, 1100, 2)
        sheet = _sheet(np.zeros(3), np.array([half[0], 0, 0]), np.array([0, half[1], 0]), 500)
        out.append(Piece(sheet.moved(place), polymer(rng)))
    if rng.random() < 0.6:
        back = np.asarray(camera.position) - np.asarray(camera.target)
        back = back / np.linalg.norm(back)
        at = np.asarray(camera.position) + back * rng.uniform(120, 300) - np.asarray(camera.up) * rng.uniform(60, 250)
        sheet = _sheet(np.zeros(3), np.array([rng.uniform(80, 220), 0, 0]), np.array([0, rng.uniform(120, 350), 0]), 500)
        out.append(Piece(sheet.moved(g.frame(at, -back, np.cross(camera.up, back))), polymer(rng)))
    return out


def clutter(rng: Rng, machine: Machine, props: Props, ground: F64, spare: list[list[Piece]]) -> list[Piece]:
    """Return things lying round the machine: props, and at times parts like its own.

    ``spare`` are parts in part space that may lie about (a look-alike beside its slot).
    """
    out: list[Piece] = []
    count = int(rng.choice([0, 1, 3, 5, 8, 12], p=[0.15, 0.15, 0.2, 0.2, 0.18, 0.12]))
    paints = [any_colour(rng), metal(rng), polymer(rng), any_colour(rng), polymer(rng, (0.82, 0.82, 0.8))]
    half = np.abs(machine.rectangle[:, :2]).max(0) + 14
    for _ in range(count):
        if spare and rng.random() < 0.3:
            pieces, radius = spare[int(rng.integers(len(spare)))], 25.0
        else:
            mesh, radius = props.shapes[int(rng.integers(len(props.shapes)))]
            pieces = [Piece(mesh, paints[int(rng.integers(len(paints)))])]
        side = rng.uniform(0, 240)
        if machine.kind == "lying":
            x, y = rng.uniform(-1, 1, 2) * (half + 240)
            if rng.random() < 0.5:
                x = np.sign(x) * (half[0] + radius + side)
            else:
                y = np.sign(y) * (half[1] + radius + side)
        else:  # ground space: x along the machine, -y towards the person
            beside = rng.random() < 0.6
            x = rng.choice([-1, 1]) * (half[0] + radius + side) if beside else rng.uniform(-1, 1) * half[0]
            y = rng.uniform(-30, 200) if beside else machine.depth + radius + side
        spin = g.shift(float(x), float(y)) @ g.turn(float(rng.uniform(0, 360)))
        out += [p.moved(ground @ spin) for p in pieces]
    return out


# --- what covers parts ----------------------------------------------------------------


def cover(rng: Rng, at: F64, direction: F64, radius: float) -> list[Piece]:
    """Return a hand, cloth, tool or sheet that hides the place ``at`` (mm), or a part of it.

    Args:
        rng: draws it.
        at: (3,) point just in front of the part.
        direction: unit vector towards the camera.
        radius: of the part.
    """
    kind = str(rng.choice(["hand", "cloth", "tool", "paper"], p=[0.4, 0.3, 0.15, 0.15]))
    way = rng.uniform(0, 2 * np.pi)
    side = np.array([np.cos(way), np.sin(way), 0.0])
    spot = at + direction * rng.uniform(4, 18) + side * radius * rng.uniform(-0.8, 0.8)
    if kind == "hand":
        return _hand(rng, spot, side)
    if kind == "cloth":
        return [Piece(_cloth(rng, radius).moved(g.frame(spot, direction, side)), polymer(rng) if rng.random() < 0.6
                      else any_colour(rng))]
    if kind == "tool":
        rod = g.cylinder(max(radius * rng.uniform(0.3, 0.8), 5), 260, 2, 20)
        return [Piece(rod.moved(g.frame(spot - side * rng.uniform(20, 60), side)), metal(rng) if rng.random() < 0.5
                      else any_colour(rng))]
    w, h = radius * rng.uniform(1, 2.5, 2)
    page = g.rounded_box(2 * w, 2 * h, 0.6, 1.0).moved(g.shift(x=w * 0.5))
    return [Piece(page.moved(g.frame(spot, direction + rng.normal(0, 0.15, 3), side)), polymer(rng))]


def _hand(rng: Rng, spot: F64, side: F64) -> list[Piece]:
    tones = ((0.58, 0.36, 0.26), (0.42, 0.24, 0.15), (0.20, 0.10, 0.06), (0.66, 0.45, 0.35), (0.10, 0.22, 0.45))
    skin = Material(tones[int(rng.integers(len(tones)))], roughness=0.5, specular=0.35)
    across = np.array([-side[1], side[0], 0.0])
    fingers = []
    for k in range(int(rng.integers(1, 5))):
        tip = spot - across * 17 * k + side * rng.uniform(-12, 12)
        bend = tip + side * rng.uniform(30, 45) + np.array([0, 0, rng.uniform(8, 22)])
        root = bend + side * rng.uniform(40, 60) + np.array([0, 0, rng.uniform(0, 25)])
        fingers.append(np.array([tip, bend, root, root + side * 220 + np.array([0, 0, 60.0])]))
    meshes = []
    for path in fingers:
        smooth = g.fillet(path, 18, 5)
        meshes.append(g.sweep(g.circle(8.2, 12), smooth, sizes=np.linspace(0.85, 1.25, len(smooth))))
        meshes.append(g.sphere(7.2, 14, 8).moved(g.shift(*path[0])))
    palm = np.mean([p[2] for p in fingers], axis=0) + side * 70
    meshes.append(g.sphere(1, 20, 10).moved(g.shift(*palm) @ g.frame((0, 0, 0), (0, 0, 1), side) @ g.scale(75, 44, 20)))
    return [Piece(g.merge(meshes), skin)]


def _cloth(rng: Rng, radius: float) -> Mesh:
    n, half = 18, radius * rng.uniform(1.2, 2.6)
    axis = np.linspace(-1, 1, n)
    x, y = np.meshgrid(axis, axis)
    z = sum(a * np.sin(f * x + p) * np.sin(h * y + q) for a, f, h, p, q in zip(
        rng.uniform(1, 4, 5), rng.uniform(1, 8, 5), rng.uniform(1, 8, 5), rng.uniform(0, 6, 5),
        rng.uniform(0, 6, 5), strict=True))
    z = z - z.min() - 6 * (np.maximum(abs(x), abs(y)) ** 6)
    wobble = 1 + 0.12 * np.sin(3 * np.arctan2(y, x) + rng.uniform(0, 6))
    points = np.column_stack([(x * half * wobble).ravel(), (y * half * wobble).ravel(), z.ravel()])
    i, j = np.meshgrid(np.arange(n - 1), np.arange(n - 1), indexing="ij")
    a = (i * n + j).ravel()
    faces = np.concatenate([np.column_stack([a, a + 1, a + n + 1]), np.column_stack([a, a + n + 1, a + n])])
    return g.shade(points, faces, 80.0)
