"""How well can a machine's own shots be told apart? Each is left out once and judged."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..domain import Machine
from ..teach_report import Because, PartCheck, StateCheck, TeachReport, ViewCheck, Wanted
from .judge import Answer, Calibration, load_calibration
from .network import Networks
from .prepare import teach_machine
from .taught import Example, PartFrame, TaughtView
from .trial import leave_one_out

APART_FROM = 0.9  # separability below which states count as looking alike
ENOUGH_SHOTS = 2  # of each wrong state, below which one more is asked for


def teach(
    machine: Machine,
    *,
    cache_dir: Path | None = None,
    progress: Callable[[str], None] | None = None,
) -> TeachReport:
    """Prepare a machine and try it on its own shots, each taught without itself.

    Raises:
        ModelError: the networks are absent or damaged.
        TeachError: the machine cannot be taught.
    """
    net = Networks()
    taught = teach_machine(machine, net, cache_dir, progress)
    calibration = load_calibration(net.folder / "calibration.json")
    views = tuple(_check_view(net, calibration, view) for view in taught.views)
    return TeachReport(machine.id, views)


def _check_view(net: Networks, calibration: Calibration, view: TaughtView) -> ViewCheck:
    rows = leave_one_out(net, view)
    parts = tuple(
        _check_part(view, frame, calibration, [(e, a) for f, e, a in rows if f is frame])
        for frame in view.frames
    )
    shots = len(view.layout.view.all_shots)
    return ViewCheck(view.layout.view.id, shots, view.left_out, parts)


def _check_part(
    view: TaughtView,
    frame: PartFrame,
    calibration: Calibration,
    tried: list[tuple[Example, Answer]],
) -> PartCheck:
    own = [e for e in view.examples if e.part == frame.part.id]
    chances, right = [], []
    told: dict[str, int] = {}
    for example, answer in tried:
        chances.append(calibration.p_right(answer))
        is_right = example.state == frame.part.expect
        right.append(is_right)
        named = frame.part.expect if chances[-1] > 0.5 else answer.named()
        told[example.state] = told.get(example.state, 0) + (named == example.state)
    states = tuple(
        StateCheck(
            state,
            sum(e.state == state for e in own),
            told.get(state, 0),
            sum(e.state == state for e, _ in tried),
        )
        for state in (frame.part.expect, *(f.state for f in frame.part.faults))
    )
    separability = _separability(np.array(chances), np.array(right, dtype=bool))
    apart = separability is None or separability >= APART_FROM
    wanted = _wanted(states, apart)
    advice = None if wanted is None else str(wanted)
    return PartCheck(frame.part.id, states, separability, apart, advice, wanted)


def _separability(chances: NDArray[np.float64], right: NDArray[np.bool_]) -> float | None:
    """Probability that a right shot has a higher probability than a wrong one; ties count half."""
    good, bad = chances[right], chances[~right]
    if len(good) == 0 or len(bad) == 0:
        return None
    higher = (good[:, None] > bad).mean() + 0.5 * (good[:, None] == bad).mean()
    return float(higher)


def _wanted(states: tuple[StateCheck, ...], apart: bool) -> Wanted | None:
    """Name the shot that would help most."""
    expect, *wrong = states
    if expect.shots < ENOUGH_SHOTS:
        return Wanted(expect.state, Because.FEW_RIGHT)
    if not apart:
        worst = min(states, key=lambda s: (s.told / s.tried if s.tried else 1.0, s.shots))
        return Wanted(worst.state, Because.TAKEN_WRONGLY)
    few = [s for s in wrong if s.shots < ENOUGH_SHOTS]
    return Wanted(min(few, key=lambda s: s.shots).state, Because.FEW) if few else None
