"""The proportions and colours of each invented machine, in millimetres and linear colour.

Door space: x to the right and y up seen from the front, z out of the front. The plate's back
face is z = 0, its middle is the origin. None of this copies a real machine.
"""

from __future__ import annotations

from dataclasses import dataclass

from demo_data.render.spec import Material

RUBBER = Material((0.012, 0.012, 0.013), roughness=0.55, specular=0.35)
STEEL = Material((0.62, 0.61, 0.59), metallic=1.0, roughness=0.22)
BRIGHT_STEEL = Material((0.72, 0.71, 0.69), metallic=1.0, roughness=0.12)
DARK = Material((0.02, 0.02, 0.022), roughness=0.5)


@dataclass(frozen=True)
class Valve:
    """A draw valve; heights count from its lower end.

    Attributes:
        radius: of the body.
        length: with neck and head.
        body: height of the body's top.
        neck, head: radii.
        head_from: height where the head begins.
        rings: heights of the two O-rings, upper first.
        window: lower and upper height of the window.
        window_half: half of the window's width.
        grooves: heights of the special valve's grooves, top first; the seal's two bands sit
            in the first and the third, one groove off in the second and the fourth.
    """

    radius: float = 14.6
    length: float = 152.0
    body: float = 118.0
    neck: float = 6.5
    head: float = 11.0
    head_from: float = 136.0
    rings: tuple[float, float] = (110.0, 62.0)
    window: tuple[float, float] = (70.0, 102.0)
    window_half: float = 8.5
    grooves: tuple[float, float, float, float] = (111.0, 98.0, 76.0, 63.0)
    ring_width: float = 5.2


@dataclass(frozen=True)
class Bushing:
    """A front bushing: a flange at the wide end, then a cone."""

    inner: float = 27.4
    flange: float = 44.0
    flange_height: float = 5.5
    wide: float = 35.0
    narrow: float = 30.2
    height: float = 25.0


@dataclass(frozen=True)
class Screw:
    """A hand-screw: knurled or lobed head on a threaded stud."""

    radius: float
    height: float
    lobes: int = 0
    collar: float = 0.0  # height of a narrower collar below the head
    tip: bool = False  # the stud's end shows in the middle of the head
    stud: float = 5.0  # radius


@dataclass(frozen=True)
class Design:
    """One machine: its door, and the few measures that the other views share with it."""

    id: str
    title: str
    width: float
    height: float
    thickness: float
    corner_top: float  # chamfer
    corner_bottom: float
    spouts: tuple[float, ...]  # x of each, left to right
    barrels: tuple[float, ...]  # x of each, left to right seen from the front
    barrel_y: float
    land: tuple[float, float, float]  # gasket track: width, height, corner radius
    gasket_wide: float
    gasket_narrow: float
    gasket_height: float
    boss_radius: float
    boss_height: float
    tower_radius: float
    tower_axis_z: float
    tower_square: bool
    screws_x: float
    screws_y: tuple[float, float]  # top, bottom
    plugs: tuple[tuple[float, float], ...]
    pin_y: float
    pin_z: float
    pin_reach: float  # half length of the pin between its ends
    valve: Valve
    valve_up: float  # how far the valve stands out of the tower when half way in
    bushing: Bushing
    tall: Screw
    short: Screw
    polymer: Material
    bushing_material: Material
    valve_material: Material
    seal_material: Material
    gasket_material: Material
    head_material: Material
    handle_material: Material
    grip_material: Material
    plug_material: Material
    handle_style: str  # "ball", "paddle" or "loop"
    nozzle: float = 13.0
    dials: tuple[tuple[float, float], ...] = ()  # the mould's date dials: front, back
    whole: bool = False  # pump, shafts and barrels are modelled too

    @property
    def top(self) -> float:
        return self.height / 2

    @property
    def tower_top(self) -> float:
        return self.height / 2 + 8.0

    @property
    def bore_radius(self) -> float:
        return self.valve.radius + 0.5


PIER = Design(
    id="pier-3",
    title="Counter freezer, three spouts",
    width=444.0,
    height=206.0,
    thickness=40.0,
    corner_top=44.0,
    corner_bottom=22.0,
    spouts=(-112.0, 0.0, 112.0),
    barrels=(-98.0, 98.0),
    barrel_y=6.0,
    land=(142.0, 146.0, 46.0),
    gasket_wide=11.6,
    gasket_narrow=4.2,
    gasket_height=10.0,
    boss_radius=27.0,
    boss_height=32.0,
    tower_radius=27.0,
    tower_axis_z=38.0,
    tower_square=False,
    screws_x=197.0,
    screws_y=(44.0, -72.0),
    plugs=((-56.0, 44.0), (56.0, 44.0)),
    pin_y=62.0,
    pin_z=84.0,
    pin_reach=152.0,
    valve=Valve(),
    valve_up=102.0,
    bushing=Bushing(),
    tall=Screw(radius=17.0, height=34.0, collar=18.0, tip=True),
    short=Screw(radius=20.0, height=22.0, lobes=0),
    polymer=Material((0.74, 0.74, 0.715), roughness=0.34, specular=0.5),
    bushing_material=Material((0.62, 0.40, 0.13), roughness=0.38),
    valve_material=Material((0.36, 0.45, 0.50), roughness=0.35),
    seal_material=Material((0.018, 0.018, 0.02), roughness=0.5, specular=0.35),
    gasket_material=Material((0.04, 0.041, 0.043), roughness=0.42, specular=0.45),
    head_material=Material((0.035, 0.036, 0.04), roughness=0.42),
    handle_material=Material((0.60, 0.60, 0.59), metallic=1.0, roughness=0.28),
    grip_material=Material((0.03, 0.07, 0.16), roughness=0.35),
    plug_material=Material((0.42, 0.43, 0.43), roughness=0.4),
    handle_style="ball",
    dials=((150.0, -30.0), (0.0, 5.0)),
    whole=True,
)

DUNE = Design(
    id="dune-1",
    title="Counter freezer, one spout, round tower",
    width=250.0,
    height=236.0,
    thickness=34.0,
    corner_top=30.0,
    corner_bottom=62.0,
    spouts=(0.0,),
    barrels=(0.0,),
    barrel_y=22.0,
    land=(156.0, 156.0, 78.0),
    gasket_wide=10.0,
    gasket_narrow=4.0,
    gasket_height=9.5,
    boss_radius=25.0,
    boss_height=36.0,
    tower_radius=30.0,
    tower_axis_z=34.0,
    tower_square=False,
    screws_x=98.0,
    screws_y=(88.0, -48.0),
    plugs=((-60.0, 92.0),),
    pin_y=74.0,
    pin_z=86.0,
    pin_reach=58.0,
    valve=Valve(radius=16.5, window=(68.0, 100.0), window_half=9.5, head=12.0),
    valve_up=104.0,
    bushing=Bushing(25.4, 41.0, 5.0, 33.0, 28.0, 28.0),
    tall=Screw(radius=19.0, height=44.0, lobes=5, collar=10.0),
    short=Screw(radius=19.0, height=18.0, lobes=5, tip=True),
    polymer=Material((0.62, 0.67, 0.70), roughness=0.42, specular=0.5),
    bushing_material=Material((0.72, 0.71, 0.66), roughness=0.4),
    valve_material=Material((0.75, 0.74, 0.70), roughness=0.32),
    seal_material=Material((0.22, 0.03, 0.02), roughness=0.5),
    gasket_material=Material((0.025, 0.025, 0.026), roughness=0.38, specular=0.45),
    head_material=Material((0.66, 0.65, 0.62), roughness=0.4),
    handle_material=Material((0.03, 0.03, 0.033), roughness=0.4),
    grip_material=Material((0.03, 0.03, 0.033), roughness=0.4),
    plug_material=Material((0.05, 0.05, 0.055), roughness=0.4),
    handle_style="paddle",
    dials=((66.0, -74.0), (66.0, -80.0)),
)

COVE = Design(
    id="cove-1",
    title="Floor freezer, one spout, square tower",
    width=286.0,
    height=178.0,
    thickness=46.0,
    corner_top=16.0,
    corner_bottom=16.0,
    spouts=(0.0,),
    barrels=(0.0,),
    barrel_y=0.0,
    land=(168.0, 140.0, 58.0),
    gasket_wide=12.0,
    gasket_narrow=4.8,
    gasket_height=10.5,
    boss_radius=29.0,
    boss_height=28.0,
    tower_radius=28.0,
    tower_axis_z=42.0,
    tower_square=True,
    screws_x=116.0,
    screws_y=(60.0, -60.0),
    plugs=((-76.0, 70.0), (76.0, 70.0)),
    pin_y=46.0,
    pin_z=92.0,
    pin_reach=54.0,
    valve=Valve(radius=15.5, rings=(111.0, 60.0), window=(72.0, 100.0), window_half=7.5, head=10.0),
    valve_up=106.0,
    bushing=Bushing(29.4, 46.0, 6.5, 37.0, 32.2, 22.0),
    tall=Screw(radius=16.0, height=46.0, collar=14.0, tip=True, stud=4.5),
    short=Screw(radius=21.0, height=24.0, lobes=8),
    polymer=Material((0.70, 0.665, 0.59), roughness=0.3, specular=0.5),
    bushing_material=Material((0.08, 0.22, 0.30), roughness=0.4),
    valve_material=Material((0.10, 0.10, 0.105), roughness=0.38),
    seal_material=Material((0.30, 0.12, 0.03), roughness=0.5),
    gasket_material=Material((0.16, 0.05, 0.03), roughness=0.45),
    head_material=Material((0.62, 0.61, 0.59), metallic=1.0, roughness=0.3),
    handle_material=Material((0.66, 0.65, 0.63), metallic=1.0, roughness=0.24),
    grip_material=Material((0.25, 0.03, 0.03), roughness=0.4),
    plug_material=Material((0.55, 0.54, 0.5), roughness=0.4),
    handle_style="loop",
    dials=((-116.0, 10.0), (116.0, -6.0)),
)

DESIGNS = {design.id: design for design in (PIER, DUNE, COVE)}
