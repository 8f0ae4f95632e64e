"""Which taught state is a part in, and how sure is that?

A patch of the photo is compared with the shots of each taught state by a network that was
trained to say 'same state or not' on parts it will never meet (see ``models/README.md``). The
answers become one calibrated probability that the part is right. A verdict 'ok' needs
evidence for the right state; looking unlike every fault is not enough.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..errors import ModelError
from .frame import F32
from .network import Networks

RIGHT = ""  # the key of the right state among a part's states

# What the comparer's answer holds, by column; see ``Networks.compare``.
SAME, SIGHT, DX, DY, LOG_SCALE, TURN, LOG_ERROR_SHIFT, LOG_ERROR_TURN = range(8)


@dataclass(frozen=True)
class Look:
    """A part's patch in one photo, described.

    Attributes:
        maps: (V, 64, h, w) of V cuts that differ a little in place and size.
        mask: (h, w) share of each cell inside the outline.
        shots: state to (K, 64, h, w) maps of the shots of that state; ``RIGHT`` is always there.
    """

    maps: F32
    mask: F32
    shots: dict[str, F32]


@dataclass(frozen=True)
class Answer:
    """What the comparer says of one part.

    Attributes:
        right: logit that it is in the right state.
        wrong: state to logit, for every wrong state that has shots.
        sight: logit that the part can be seen.
        shift: (2,) offset from the place where it was looked for, fractions of the patch.
        shift_error: expected error of the shift, fractions of the patch.
        turn_deg: turn against the shots, clockwise.
    """

    right: float
    wrong: dict[str, float]
    sight: float
    shift: NDArray[np.float64]
    shift_error: float
    turn_deg: float

    def likeliest(self) -> tuple[str, float] | None:
        """The wrong state with the highest logit, or None."""
        return max(self.wrong.items(), key=lambda item: item[1], default=None)

    @property
    def margin(self) -> float:
        """Logit of the right state over that of the likeliest wrong one, or over 0."""
        worst = self.likeliest()
        return self.right - (worst[1] if worst is not None else 0.0)


def compare(net: Networks, looks: list[Look]) -> list[Answer]:
    """Compare every part with all its states, in as few runs of the network as can be."""
    rows: dict[tuple[int, ...], list[tuple[int, str, int]]] = {}
    for i, look in enumerate(looks):
        for state, shots in look.shots.items():
            for v in range(len(look.maps)):
                rows.setdefault((*look.maps.shape[2:], len(shots)), []).append((i, state, v))
    got: list[dict[str, list[F32]]] = [{} for _ in looks]
    for jobs in rows.values():
        out = net.compare(
            np.stack([looks[i].maps[v] for i, _, v in jobs]),
            np.stack([looks[i].shots[state] for i, state, _ in jobs]),
            np.stack([looks[i].mask for i, _, _ in jobs]),
        )
        for (i, state, _), line in zip(jobs, out, strict=True):
            got[i].setdefault(state, []).append(line)
    return [_answer(states) for states in got]


def _answer(states: dict[str, list[F32]]) -> Answer:
    mean = {state: np.mean(lines, axis=0) for state, lines in states.items()}
    right = mean[RIGHT]
    return Answer(
        right=float(right[SAME]),
        wrong={s: float(line[SAME]) for s, line in mean.items() if s != RIGHT},
        sight=float(right[SIGHT]),
        shift=right[[DX, DY]].astype(np.float64),
        shift_error=float(np.exp(np.clip(right[LOG_ERROR_SHIFT], -6, 2))),
        turn_deg=math.degrees(float(right[TURN])),
    )


@dataclass(frozen=True)
class Calibration:
    """From logits to a probability, and from the probability to a verdict.

    ``p_right`` is a logistic function of the features below; its numbers were fitted on
    photos that neither taught nor tested (``models/README.md``).

    Attributes:
        alone: weights (right, 1) where no wrong state has shots.
        beside: weights (right, likeliest wrong, 1) where one has.
        ok_from: least ``p_right`` of a part that is called ok.
        fault_to: most ``p_right`` of a part that is called a fault; between, it is unsure.
        sight_from: least logit of a part that counts as seen.
    """

    alone: tuple[float, float]
    beside: tuple[float, float, float]
    ok_from: float
    fault_to: float
    sight_from: float

    def p_right(self, answer: Answer) -> float:
        """Return the probability, 0 to 1, that the part is as expected."""
        worst = answer.likeliest()
        if worst is None:
            logit = self.alone[0] * answer.right + self.alone[1]
        else:
            a, b, c = self.beside
            logit = a * answer.right + b * worst[1] + c
        return 1.0 / (1.0 + math.exp(-max(-30.0, min(30.0, logit))))


@lru_cache(maxsize=4)
def load_calibration(path: Path) -> Calibration:
    """Read the calibration that comes with the networks.

    Raises:
        ModelError: the file is absent or not what it should be.
    """
    try:
        values = json.loads(path.read_text(encoding="utf-8"))
        return Calibration(
            alone=tuple(values["alone"]),
            beside=tuple(values["beside"]),
            ok_from=float(values["ok_from"]),
            fault_to=float(values["fault_to"]),
            sight_from=float(values["sight_from"]),
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ModelError(f"{path} cannot be used ({error}); install the product again") from error
