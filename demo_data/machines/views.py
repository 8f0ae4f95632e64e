"""The views of a machine in words, the three door views among them."""

from __future__ import annotations

from demo_data.machines.design import Design
from demo_data.machines.door import screw_places
from demo_data.machines.specs import FaultSpec, PartSpec, ViewSpec, missing, swapped
from demo_data.machines.views_inner import barrels_view, pump_view, seals_view

_MISSING_VALVE = missing("Slide a draw valve into the bore.")


def side_names(count: int) -> tuple[str, ...]:
    return ("left", "centre", "right") if count == 3 else ("centre",) * count


def _outer_part(side: str, title: str, three: bool) -> PartSpec:
    faults = [
        _MISSING_VALVE,
        FaultSpec("sideways", "turned", "Turn the valve until its window faces you.", 90.0),
        FaultSpec("backwards", "turned", "Turn the valve until its window faces you.", 180.0),
        FaultSpec("upper-ring-missing", "other", "Fit the upper O-ring and lubricate it."),
    ]
    if three:
        faults.append(
            swapped(
                "special-valve",
                "centre-valve",
                "This is the valve with the divider seal; it belongs in the centre.",
            )
        )
    return PartSpec(f"{side}-valve", title, "window-front", tuple(faults), "outer-valve")


def _centre_part() -> PartSpec:
    return PartSpec(
        "centre-valve",
        "Centre draw valve with divider seal",
        "seal-seated",
        (
            swapped(
                "outer-valve",
                "left-valve",
                "This is an outer valve; fit the one with the divider seal.",
            ),
            FaultSpec("seal-missing", "other", "Fit the divider seal into its grooves."),
            FaultSpec("seal-off", "displaced", "Move the divider seal up by one groove."),
            _MISSING_VALVE,
        ),
    )


def _valves_view(design: Design) -> ViewSpec:
    three = len(design.spouts) == 3
    listed: list[PartSpec] = []
    if three:
        listed += [
            _outer_part("left", "Left draw valve", True),
            _centre_part(),
            _outer_part("right", "Right draw valve", True),
        ]
    else:
        listed.append(_outer_part("draw", "Draw valve", False))
    names = ("left", "right") if len(design.plugs) == 2 else ("bleeder",)
    for name in names:
        part_id = f"{name}-plug"
        title = f"{name.capitalize()} bleeder plug" if name != "bleeder" else "Bleeder plug"
        fault = missing("Push the bleeder plug into its hole.")
        alike = "bleeder-plug" if len(names) == 2 else None
        listed.append(PartSpec(part_id, title, "in", (fault,), alike, ("any-turn",)))
    return ViewSpec(
        "valves",
        "Draw valves, half way in",
        "Stand the door up, valves half way in, and take it from the front.",
        tuple(listed),
    )


def back_names(design: Design) -> list[tuple[str, float]]:
    """Return the name and world x of each barrel as seen from the back, left to right."""
    if len(design.barrels) == 1:
        return [("front", -design.barrels[0])]
    xs = sorted(-x for x in design.barrels)
    return list(zip(("left", "right"), xs, strict=True))


def _back_view(design: Design) -> ViewSpec:
    listed = []
    twins = len(design.barrels) > 1
    for name, _ in back_names(design):
        label = f"{name.capitalize()} front bushing" if twins else "Front bushing"
        listed.append(
            PartSpec(
                f"{name}-bushing",
                label,
                "seated",
                (
                    missing("Push the bushing onto its boss."),
                    FaultSpec(
                        "reversed", "flipped", "Turn the bushing: wide end against the door."
                    ),
                ),
                "front-bushing" if twins else None,
                ("any-turn",),
            )
        )
    for name, _ in back_names(design):
        label = f"{name.capitalize()} door gasket" if twins else "Door gasket"
        listed.append(
            PartSpec(
                f"{name}-gasket" if twins else "door-gasket",
                label,
                "in-groove",
                (
                    missing("Press a gasket into the groove."),
                    FaultSpec("upside-down", "flipped", "Turn the gasket: wide side down."),
                    FaultSpec("out", "displaced", "Press the gasket in all round."),
                ),
                "door-gasket" if twins else None,
            )
        )
    return ViewSpec(
        "door-back",
        "Back of the door, before it goes on",
        "Lay the door face down and fill the frame.",
        tuple(listed),
    )


def _screw_part(part_id: str) -> PartSpec:
    row, side, _ = part_id.split("-")
    tall = row == "top"
    other = ("bottom" if tall else "top") + f"-{side}-screw"
    wrong = "short-screw" if tall else "tall-screw"
    return PartSpec(
        part_id,
        f"{row.capitalize()} {side} hand-screw ({'tall' if tall else 'short'})",
        "tight",
        (
            missing("Fit and tighten the hand-screw."),
            swapped(wrong, other, f"Fit the {'tall' if tall else 'short'} hand-screw here."),
            FaultSpec("loose", "displaced", "Run the hand-screw in until it seats."),
        ),
        "tall-screw" if tall else "short-screw",
        ("any-turn",),
    )


def _spout_parts(
    design: Design, name: str, label: str, expect: str, fault: FaultSpec, alike: str
) -> list[PartSpec]:
    """Return a part of each spout; where there are several, they look alike."""
    sides = side_names(len(design.spouts))
    if len(sides) == 1:
        return [PartSpec(f"draw-{name}", f"Draw {label}", expect, (fault,))]
    return [
        PartSpec(f"{side}-{name}", f"{side.capitalize()} {label}", expect, (fault,), alike)
        for side in sides
    ]


def _front_view(design: Design) -> ViewSpec:
    pin = PartSpec(
        "handle-pin",
        "Handle pin",
        "locked",
        (
            missing("Push the pin through all handles."),
            FaultSpec(
                "not-flipped", "turned", "Flip the pin's bent end down into its groove.", 90.0
            ),
        ),
        symmetry=("mirror",),
    )
    hang = missing("Hang the handle in and push the pin through.")
    down = FaultSpec("down", "displaced", "Raise the valve until the handle holds it.")
    listed = [
        *(_screw_part(part_id) for part_id in screw_places(design)),
        *_spout_parts(design, "handle", "handle", "fitted", hang, "handle"),
        pin,
        *_spout_parts(design, "stem", "valve, raised", "raised", down, "valve-stem"),
    ]
    return ViewSpec(
        "door-front",
        "Door mounted",
        "Stand in front of the freezer and take the whole door.",
        tuple(listed),
    )


def view_specs(design: Design) -> dict[str, ViewSpec]:
    """Return the views of a machine in the order of the rebuild."""
    views = [pump_view(), seals_view(), barrels_view()] if design.whole else []
    views += [_valves_view(design), _back_view(design), _front_view(design)]
    return {view.id: view for view in views}
