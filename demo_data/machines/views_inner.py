"""The views before the door: pump, shafts with their seals, barrels; in words."""

from __future__ import annotations

from demo_data.machines.specs import FaultSpec, PartSpec, ViewSpec, missing, swapped


def pump_view() -> ViewSpec:
    """Return the view of the pump at the back of the hopper."""
    pin = PartSpec(
        "cross-pin",
        "Cross pin",
        "from-top",
        (
            missing("Push the cross pin in from the top."),
            FaultSpec("from-below", "turned", "Pull the pin and enter it from the top.", 180.0),
        ),
    )
    clip = PartSpec(
        "locking-clip",
        "Locking clip",
        "closed",
        (
            missing("Fit the locking clip and close it."),
            FaultSpec("open", "other", "Swing the clip over the pump until it catches."),
        ),
    )
    gasket = PartSpec(
        "bracket-gasket",
        "Bracket gasket on the feed tube",
        "fitted",
        (missing("Slide the bracket gasket onto the feed tube."),),
    )
    rings = [
        _ring(f"{name}-tube-ring", f"{name.capitalize()} O-ring of the feed tube", "tube-ring")
        for name in ("upper", "lower")
    ]
    return ViewSpec(
        "pump",
        "Pump at the back of the hopper",
        "Feed tube in its bracket, not pushed down yet. Hold the phone over the hopper's front "
        "and look straight at its back.",
        (pin, clip, gasket, *rings),
    )


def _boot_part(side: str) -> PartSpec:
    return PartSpec(
        f"{side}-boot",
        f"Boot seal of the {side} drive shaft",
        "ridge-outside",
        (
            missing("Slide a boot seal onto the drive shaft."),
            FaultSpec("inside-out", "other", "Turn the boot seal: its ridge must be outside."),
        ),
        "boot-seal",
    )


def _ring(part_id: str, title: str, alike: str) -> PartSpec:
    fault = missing("Roll the O-ring into its groove; lubricate it.")
    return PartSpec(part_id, title, "on", (fault,), alike)


def _shaft_ring(side: str, name: str) -> PartSpec:
    title = f"{name.capitalize()} O-ring of the {side} pump shaft"
    return _ring(f"{side}-{name}-ring", title, "pump-shaft-ring")


def _end_part(side: str) -> PartSpec:
    return PartSpec(
        f"{side}-drive-end",
        f"Drive end of the {side} drive shaft",
        "clean",
        (FaultSpec("greased", "other", "Wipe the drive end: no lubricant belongs on it."),),
        "drive-end",
    )


def seals_view() -> ViewSpec:
    """Return the view of drive and pump shafts in their tray."""
    sides = ("left", "right")
    parts = [_boot_part(side) for side in sides]
    parts += [_end_part(side) for side in sides]
    parts += [_shaft_ring(side, name) for side in sides for name in ("upper", "lower")]
    return ViewSpec(
        "seals",
        "Drive shafts and pump shafts with their seals",
        "Lay all four shafts into the tray, drive ends to the top, and fill the frame.",
        tuple(parts),
    )


def _barrel_parts(side: str) -> list[PartSpec]:
    other = "right" if side == "left" else "left"
    beater = PartSpec(
        f"{side}-beater",
        f"{side.capitalize()} beater",
        "home",
        (
            FaultSpec(
                "proud",
                "displaced",
                "Turn and push the beater until it sits behind the barrel's front lip.",
                carries=(
                    f"{side}-beater-left-blade",
                    f"{side}-beater-right-blade",
                    f"{side}-shoe",
                ),
            ),
        ),
        "beater",
    )
    blades = [
        PartSpec(
            f"{side}-beater-{hand}-blade",
            f"{hand.capitalize()} blade of the {side} beater",
            "on",
            (missing("Hang the blade onto its studs."),),
            f"{hand}-blade",
        )
        for hand in ("left", "right")
    ]
    shoe = PartSpec(
        f"{side}-shoe",
        f"Front shoe of the {side} beater",
        "own-side",
        (
            missing(f"Fit the {side} front shoe onto the beater."),
            swapped(
                "other-side", f"{other}-shoe", f"This is the {other} shoe; fit the {side} one."
            ),
        ),
    )
    return [beater, *blades, shoe]


def barrels_view() -> ViewSpec:
    """Return the view into both barrels."""
    return ViewSpec(
        "barrels",
        "Beaters in their barrels",
        "Turn both beaters until their blades stand level, then look into both barrels, "
        "a little from the side.",
        tuple(part for side in ("left", "right") for part in _barrel_parts(side)),
    )
