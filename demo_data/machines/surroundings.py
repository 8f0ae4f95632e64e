"""What stands, lies and shines round a door: bench, wall, freezer, clutter, lamps, people."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_data.machines import clutter, pump, textures
from demo_data.machines.design import DARK, STEEL, Design
from demo_data.machines.staging import SETTINGS, Place
from demo_data.render import geometry as g
from demo_data.render.sight import hides
from demo_data.render.spec import F64, Camera, Item, Lamp, Material, Mesh

Rng = np.random.Generator
BENCH_REACH = 1500.0
_WHITE = ((1.0, 0.80, 0.58), (1.0, 0.93, 0.84), (0.95, 0.99, 0.96), (0.88, 0.95, 1.0))


@dataclass(frozen=True)
class Ground:
    """The bench in world space.

    Attributes:
        frame: takes bench space (z up from the bench) to world.
        up: world direction away from the bench, to the ceiling.
        half: half width and half depth of the door, or of the opening, in it.
    """

    frame: F64
    up: tuple[float, float, float]
    half: tuple[float, float]


def ground(view: str, body: Mesh) -> Ground:
    """Return where the bench, or the freezer's deck, lies about what ``view`` shows."""
    low, high = body.vertices.min(0), body.vertices.max(0)
    place = SETTINGS[view].place
    if place is Place.HOPPER:
        middle = pump.DECK @ g.shift(y=-pump.OPENING / 2)
        up = middle[:3, 2]
        return Ground(middle, _triple(up), (pump.WIDE / 2, pump.OPENING / 2))
    if place is Place.BENCH_TOP:
        half = (float(high[0] - low[0]) / 2, float(high[1] - low[1]) / 2)
        return Ground(g.shift(0, float(low[1] + high[1]) / 2, float(low[2])), (0, 0, 1), half)
    drop = 190.0 if place is Place.FREEZER else 0.0
    half = (float(high[0] - low[0]) / 2, float(high[2] - low[2]) / 2)
    middle = float(low[2] + high[2]) / 2
    turn = g.turn(-90, (1, 0, 0))
    return Ground(g.shift(0, float(low[1]) - drop, middle) @ turn, (0, 1, 0), half)


def _textured(
    rng: Rng, kinds: tuple[tuple[textures.Maker, float, float, float], ...]
) -> tuple[Material, float]:
    make, metallic, roughness, size = kinds[int(rng.integers(len(kinds)))]
    rough = float(np.clip(roughness * rng.uniform(0.75, 1.3), 0.08, 0.9))
    material = Material((0.5, 0.5, 0.5), metallic=metallic, roughness=rough, texture=make(rng))
    return material, size * rng.uniform(0.8, 1.25)


def _plane(rng: Rng, material: Material, size_mm: float, wide: float, deep: float) -> Item:
    mesh = g.rounded_box(wide, deep, 12.0, 3.0).moved(g.shift(z=-12.0) @ g.turn(rng.uniform(-4, 4)))
    return Item(g.box_uv(mesh, size_mm), material)


def _bench(rng: Rng, tidy: float) -> Item:
    # A master is taken where nothing is mirrored.
    kinds = textures.BENCHES if tidy < 0.5 else textures.DULL_BENCHES
    material, size = _textured(rng, kinds)
    return _plane(rng, material, size, 2 * BENCH_REACH, 2 * BENCH_REACH)


def _wall(rng: Rng, back: float, tidy: float) -> Item:
    kinds = textures.WALLS if tidy < 0.5 else textures.WALLS[1:2]
    material, size = _textured(rng, kinds)
    mesh = g.rounded_box(4000, 4000, 12.0, 3.0).moved(g.shift(z=-back - 12))
    return Item(g.box_uv(mesh, size), material)


def _puddles(rng: Rng, bench: Material) -> list[Item]:
    """Return thin films of water: the bench's own colour, darker and shining."""
    texture = bench.texture
    mean = texture.mean((0, 1)) if texture is not None else np.array(bench.base_color)
    red, green, blue = (float(v) * 0.6 for v in mean)
    wet = Material((red, green, blue), roughness=0.04, clearcoat=1.0)
    drops = []
    for _ in range(int(rng.integers(0, 14))):
        radius = rng.uniform(3, 26)
        high = min(2.2, radius * 0.16)
        profile = [(0, 0), (radius, 0), (radius * 0.96, high * 0.5), (radius * 0.75, high)]
        drop = g.lathe([*profile, (0, high)], 40).moved(g.scale(1, rng.uniform(0.5, 1), 1))
        place = g.shift(rng.uniform(-420, 420), rng.uniform(-330, 330)) @ g.turn(
            rng.uniform(0, 180)
        )
        drops.append(drop.moved(place))
    return [Item(g.merge(drops), wet)] if drops else []


def _deck(rng: Rng) -> list[Item]:
    """Return the freezer's top round the hopper, of steel or polymer, and the opening's bead."""
    top = g.rounded_box(1500.0, 1500.0, 12.0, 20.0, 3.0).moved(g.shift(z=-12.0))
    hole = g.rounded_box(pump.WIDE, pump.OPENING, 60.0, 12.0).moved(g.shift(z=-40.0))
    material, size = _textured(rng, textures.BENCHES[:2])
    if rng.random() < 0.4:
        grey = float(rng.choice([0.62, 0.30, 0.05]))
        material = Material((grey, grey, grey * 0.98), roughness=rng.uniform(0.3, 0.5))
    track = g.racetrack(pump.WIDE + 3.0, pump.OPENING + 3.0, 200, 13.0)
    bead = g.gasket(g.circle(5.0, 14), track)
    return [Item(g.box_uv(g.cut(top, [hole]), size), material), Item(bead, DARK)]


def _drops(rng: Rng) -> list[Item]:
    """Return drops of rinse water on the hopper's back, beside the bracket."""
    drops = []
    for _ in range(int(rng.integers(0, 18))):
        radius = rng.uniform(1.5, 5.0)
        side = float(rng.choice([-1.0, 1.0]))
        x, y = side * rng.uniform(172, 218), rng.uniform(-140, 140)
        flat = g.scale(1.0, rng.uniform(1.0, 1.9), 0.35)
        drops.append(g.sphere(radius, 20, 10).moved(g.shift(x, y, 0.2) @ flat))
    wet = Material((0.60, 0.60, 0.58), roughness=0.04, specular=0.5, clearcoat=1.0)
    return [Item(g.merge(drops), wet)] if drops else []


def _freezer(design: Design, rng: Rng, open_: tuple[float, float] | None) -> list[Item]:
    """Return the front of the machine that the door is mounted on.

    ``open_`` is the width and height of the place that is cut out, where the door is off.
    """
    wide = design.width + rng.uniform(40, 120)
    high, low = design.top + 150.0, -design.top - 170.0
    panel_material = Material(
        (0.5,) * 3, metallic=1.0, roughness=rng.uniform(0.2, 0.4), texture=textures.steel(rng)
    )
    panel = g.rounded_box(wide, high - low, 560.0, 10.0, 4.0)
    panel = panel.moved(g.shift(0, (high + low) / 2, -566.0))
    if open_ is not None:
        hole = g.rounded_box(open_[0] - 24.0, open_[1] - 24.0, 600.0, 20.0)
        panel = g.cut(panel, [hole.moved(g.shift(z=-500.0))])
    items = [Item(g.box_uv(panel, 420.0), panel_material)]
    head = g.rounded_box(wide + 6, 96.0, 30.0, 8.0, 4.0).moved(g.shift(0, high - 52, -8))
    items.append(Item(head, DARK))
    colours = ((0.05, 0.35, 0.12), (0.6, 0.6, 0.58), (0.5, 0.08, 0.04))
    for k, x in enumerate((np.linspace(-0.3, 0.3, 3 + len(design.spouts)) * wide).tolist()):
        button = g.cylinder(11.0, 4.0, 1.0).moved(g.shift(x, high - 60, 21.5))
        items.append(Item(button, Material(colours[k % 3], roughness=0.4)))
    face = g.rounded_box(90, 34, 2.0, 3.0).moved(g.shift(-0.16 * wide, high - 28, 21.5))
    items.append(Item(face, Material((0.02, 0.05, 0.06), roughness=0.1)))
    items += _tray(design, wide, low)
    for barrel in design.barrels if open_ is None else ():  # the barrels' rims behind the door
        rim = g.cylinder(design.land[0] / 2 + 18, 8.0).moved(g.shift(barrel, design.barrel_y, -9))
        items.append(Item(rim, STEEL))
    return items


def _tray(design: Design, wide: float, low: float) -> list[Item]:
    bottom = max(low + 30.0, -design.top - 150.0)
    tray = g.rounded_box(wide * 0.72, 22.0, 190.0, 6.0, 3.0).moved(g.shift(0, bottom, -4))
    bars = [
        g.rounded_box(wide * 0.68, 4.0, 6.0, 1.5).moved(g.shift(0, bottom + 13.0, z))
        for z in range(14, 180, 14)
    ]
    return [Item(tray, STEEL), Item(g.merge(bars), DARK)]


def _clutter(
    design: Design, place: Place, around: Ground, rng: Rng, amount: int
) -> list[tuple[str, list[Item]]]:
    """Return things on the bench, each with where it stands against the door."""
    out = []
    half_x, half_y = around.half
    for _ in range(amount):
        low = rng.random() < 0.72
        makers = clutter.LOW if low else clutter.TALL
        items = makers[int(rng.integers(len(makers)))](rng, design)
        reach = 70.0
        where = "beside"
        if place is Place.BENCH_TOP or rng.random() < 0.6:
            angle = rng.uniform(0, 2 * np.pi)
            far = rng.uniform(reach * 0.75, 330.0)
            x = float(np.clip(1.6 * np.cos(angle), -1, 1)) * (half_x + far)
            y = float(np.clip(1.6 * np.sin(angle), -1, 1)) * (half_y + far)
        else:
            x, y = rng.uniform(-380, 380), half_y + rng.uniform(60, 240)
            where = "behind"
        if place is Place.HOPPER:  # nothing stands between the person and the hopper
            y = abs(y)
        elif place is not Place.BENCH_TOP and y > half_y:
            where = "behind"
        move = around.frame @ g.shift(x, y, 0.3) @ g.turn(rng.uniform(0, 360))
        out.append((where, [Item(i.mesh.moved(move), i.material) for i in items]))
    return out


def _overlaps(items: list[Item], camera: Camera, keep_clear: F64) -> bool:
    """Return whether the things cover part of the rectangle (x0, y0, x1, y1) of the picture."""
    for item in items:
        seen = camera.project(item.mesh.vertices[::3].astype(float))
        low, high = seen.min(0), seen.max(0)
        if (low < keep_clear[2:]).all() and (high > keep_clear[:2]).all():
            return True
    return False


def build(
    design: Design,
    view: str,
    body: Mesh,
    camera: Camera,
    keep_clear: list[F64],
    rng: Rng,
    tidy: float = 0.0,
) -> list[Item]:
    """Return all that is not the door.

    Args:
        keep_clear: (x0, y0, x1, y1) of each part in the picture; nothing lies before them.
        tidy: 0 for the usual mess, 1 for an empty bench.
    """
    place, around = SETTINGS[view].place, ground(view, body)
    items: list[Item] = []
    if place is Place.HOPPER:
        level = _deck(rng)
        items += _drops(rng)
    else:
        level = [_bench(rng, tidy)]
        level += _puddles(rng, level[0].material)
    items += [Item(i.mesh.moved(around.frame), i.material) for i in level]
    if place is Place.BENCH:
        items.append(_wall(rng, rng.uniform(110, 420), tidy))
    elif place is Place.HOPPER:
        wall = _wall(rng, rng.uniform(60, 380), tidy)
        upright = around.frame @ g.shift(y=pump.OPENING / 2) @ g.turn(90, (1, 0, 0))
        items.append(Item(wall.mesh.moved(upright), wall.material))
    elif place is Place.FREEZER:
        items.append(_wall(rng, rng.uniform(600, 900), tidy))
        size = np.ptp(body.vertices, axis=0)
        off = (float(size[0]), float(size[1])) if view == "barrels" else None
        items += _freezer(design, rng, off)
    amount = round((1 - tidy) * int(rng.integers(2, 10)))
    for where, group in _clutter(design, place, around, rng, amount):
        if place is Place.FREEZER and where == "behind":
            continue
        if where == "behind" or not any(_overlaps(group, camera, box) for box in keep_clear):
            items += group
    return items + _room(place, rng) + _person(camera, rng)


def _room(place: Place, rng: Rng) -> list[Item]:
    """Return large dull cards far behind the camera: what bright metal reflects."""
    cards = []
    for _ in range(int(rng.integers(1, 4))):
        grey = rng.uniform(0.02, 0.5)
        card = g.rounded_box(rng.uniform(500, 1600), rng.uniform(600, 2200), 10.0)
        if place is Place.BENCH_TOP:
            move = g.shift(rng.uniform(-1500, 1500), rng.uniform(-1500, 1500), 2600)
        else:
            move = g.shift(rng.uniform(-1800, 1800), rng.uniform(-500, 900), 2600)
        cards.append(Item(card.moved(move), Material((grey,) * 3, roughness=0.9)))
    return cards


def _person(camera: Camera, rng: Rng) -> list[Item]:
    """Return the phone and the head and chest behind it, out of the picture."""
    position, target = np.array(camera.position), np.array(camera.target)
    back = (position - target) / np.linalg.norm(position - target)
    across = np.cross(camera.up, back)
    place = g.frame(position + back * 16.0, back, across)
    phone = g.rounded_box(150.0, 74.0, 8.0, 9.0, 2.0)
    away = rng.uniform(280, 420)
    aside, above = rng.uniform(-60, 60, 2)
    head = g.sphere(95.0).moved(g.shift(aside, above, away))
    chest = g.sphere(200.0).moved(g.shift(0, -380, away + 120) @ g.scale(1.1, 1.3, 0.7))
    shirt = float(rng.uniform(0.02, 0.5))
    return [
        Item(phone.moved(place), DARK),
        Item(head.moved(place), Material((0.3, 0.18, 0.12), roughness=0.6)),
        Item(chest.moved(place), Material((shirt, shirt, shirt * rng.uniform(0.7, 1.2)))),
    ]


def shadow_hand(lamps: tuple[Lamp, ...], camera: Camera, rng: Rng) -> list[Item]:
    """Return a hand between the strongest lamp and the work, if it stays out of the picture."""
    if not lamps:
        return []
    lamp = lamps[0]
    aim = rng.uniform((-150, -90, 0), (150, 90, 30))
    share = rng.uniform(0.12, 0.3)
    point = aim + share * (np.array(lamp.centre) - aim)
    move = g.frame(point, lamp.direction, rng.normal(size=3))
    items = [Item(i.mesh.moved(move), i.material) for i in clutter.hand(rng)]
    seen = camera.project(items[0].mesh.vertices.astype(float))
    width, height = camera.size
    inside = ((seen > -20) & (seen < np.array([width, height]) + 20)).all(1)
    forward = np.array(camera.target) - np.array(camera.position)
    before = (items[0].mesh.vertices - np.array(camera.position)) @ forward > 0
    if bool((inside & before).any()) or any(hides(item.mesh, camera) for item in items):
        return []
    return items


def lamps(
    view: str, rng: Rng, even: bool = False
) -> tuple[tuple[Lamp, ...], tuple[float, float, float]]:
    """Return the lamps, strongest first, and the radiance of the sky.

    ``even`` is the good light in which a store takes its master: large lamps, much fill.
    """
    above = SETTINGS[view].place is Place.BENCH_TOP
    count = 2 if even else int(rng.integers(1, 4))
    shares = np.sort(rng.dirichlet(np.full(count, 1.2)))[::-1]
    fill = rng.uniform(0.45, 0.6) if even else rng.uniform(0.14, 0.6)
    tint = np.array(_WHITE[int(rng.integers(len(_WHITE)))])
    out = []
    for share in shares:
        wide, deep = _lamp_size(rng, even)
        x, y, high = rng.uniform(-900, 900), rng.uniform(-300, 900), rng.uniform(900, 1700)
        centre = np.array([x, y, high] if above else [x, high, 250 + abs(y)])
        aim = rng.uniform(-150, 150, 3)
        away = float(np.linalg.norm(centre - aim))
        colour = np.array(_WHITE[int(rng.integers(len(_WHITE)))]) if rng.random() < 0.35 else tint
        radiance = 3.0 * (1 - fill) * share * away**2 / (wide * deep) * colour
        direction = (aim - centre) / away
        out.append(Lamp(_triple(centre), _triple(direction), (wide, deep), _triple(radiance)))
    sky = 3.0 * fill / np.pi * tint * rng.uniform(0.9, 1.1, 3)
    return tuple(out), _triple(sky)


def _triple(values: F64) -> tuple[float, float, float]:
    first, second, third = (float(value) for value in values)
    return first, second, third


def _lamp_size(rng: Rng, even: bool) -> tuple[float, float]:
    kinds = ((90.0, 1100.0), (560.0, 560.0), (260.0, 260.0), (700.0, 1000.0))
    pick = kinds[int(rng.choice([1, 3]))] if even else kinds[int(rng.integers(len(kinds)))]
    return pick if rng.random() < 0.5 else (pick[1], pick[0])


def cover(kind: str, point: F64, rng: Rng) -> list[Item]:
    """Return a hand or a towel that lies over a point, before it as seen by the camera."""
    if kind == "hand":
        items = clutter.hand(rng)
        turned = g.shift(*point) @ g.turn(rng.uniform(-70, 70)) @ g.shift(0, 10, 4)
    else:
        items = [clutter.towel(rng, rng.uniform(170, 230), rng.uniform(150, 200), 30.0)]
        turned = g.shift(*point) @ g.turn(rng.uniform(0, 180))
    return [Item(i.mesh.moved(turned), i.material) for i in items]
