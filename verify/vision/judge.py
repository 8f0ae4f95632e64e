"""Which taught state is a part in, and how sure is that?

A patch of the photo is compared with the shots of each taught state by a network that was
trained to say 'same state or not' on parts it will never meet (see ``models/README.md``). The
answers become one calibrated probability that the part is right. A verdict 'ok' needs
evidence for the right state; looking unlike every fault is not enough.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import ModelError
from .frame import F32
from .learnt import Expert
from .network import Networks

AT_ONCE = (
    18  # shots in one run of the comparer: more leave the processor's cache, fewer take longer
)
RIGHT = ""  # the key of the right state among a part's states

# Logit of a part whose right shots could not be tried on each other: as the clearest parts get,
# so that a part that nothing is known of is doubted sooner than passed.
UNTRIED = 3.0
# A part that something is in front of looks like no state: on drawn photos of parts under hands and
# towels the likeliest state got -1.6 at most, a missing or turned part its own state's logit.
LIKE_NOTHING = -1.3
HIDDEN_ALONE = 0.0  # logit 'in sight' below which a part without wrong shots is hidden
# Margin of the linear judge above which a part is no surer: what is altogether strange lies beyond
# all states of its shots, and can have a large one.
MOST_MARGIN = 1.0
UNASKED = -math.inf  # in place of the logit of a wrong state that nobody has asked for

# What the comparer's answer holds, by column; see ``Networks.compare``. Its column for the turn
# stays at 0 whatever a part is turned by (``gauge`` measures turns).
SAME, SIGHT, DX, DY, _LOG_SCALE, _TURN, LOG_ERROR_SHIFT, _LOG_ERROR_TURN = range(8)


@dataclass(frozen=True)
class Look:
    """A part's patch in one photo, described.

    Attributes:
        maps: (V, 64, h, w) of V cuts that differ a little in place and size.
        mask: (h, w) share of each cell inside the outline.
        shots: state to (K, 64, h, w) maps of the shots of that state; ``RIGHT`` is always there.
        expert: what the machine's own shots taught of this part, if anything.
        hardest: see ``Answer``.
    """

    maps: F32
    mask: F32
    shots: dict[str, F32]
    expert: Expert | None = None
    hardest: float = UNTRIED


@dataclass(frozen=True)
class Answer:
    """What the comparer says of one part.

    Attributes:
        right: logit that it is in the right state.
        wrong: state to logit, for every wrong state that has shots; minus infinity where that
            was not worked out.
        sight: logit that the part can be seen.
        shift: (2,) offset from the place where it was looked for, shares of the root of
            the patch's pixels.
        shift_error: expected error of the shift, likewise.
        learnt: state to score of the part's own linear judge; empty where there is none.
        hardest: least logit that a right shot of this part, or of one like it, got when judged
            by the other shots: how unlike each other right parts can look here.
    """

    right: float
    wrong: dict[str, float]
    sight: float
    shift: NDArray[np.float64]
    shift_error: float
    learnt: dict[str, float] = field(default_factory=dict)
    hardest: float = UNTRIED

    def likeliest(self) -> tuple[str, float] | None:
        """The wrong state with the highest logit, or None."""
        return max(self.wrong.items(), key=lambda item: item[1], default=None)

    @property
    def learnt_margin(self) -> float:
        """Score of the right state over that of the likeliest wrong one; 0 without a judge."""
        wrong = [score for state, score in self.learnt.items() if state != RIGHT]
        return self.learnt[RIGHT] - max(wrong) if wrong and RIGHT in self.learnt else 0.0

    @property
    def looks_wrong(self) -> bool:
        """Whether a known wrong state explains the part better than the right one."""
        worst = self.likeliest()
        return self.learnt_margin < 0 or (
            worst is not None and (worst[1] > 0 or worst[1] > self.right)
        )

    def named(self) -> str | None:
        """The wrong state that the part most looks like; None where none is known."""
        wrong = {s: v for s, v in self.learnt.items() if s != RIGHT}
        if wrong:
            return max(wrong, key=lambda state: wrong[state])
        worst = self.likeliest()
        return None if worst is None else worst[0]


def compare(net: Networks, looks: Sequence[Look]) -> list[Answer]:
    """Compare every part with all its states."""
    return compare_wrong(net, looks, compare_right(net, looks))


def compare_right(net: Networks, looks: Sequence[Look]) -> list[Answer]:
    """Compare every part with its right state; the logits of the others are not worked out.

    No probability depends on those, see ``features_of``, and they take half of the time.
    """
    told = _told(net, looks, [[RIGHT]] * len(looks))
    return [_answer(states[RIGHT], look) for states, look in zip(told, looks, strict=True)]


def compare_wrong(net: Networks, looks: Sequence[Look], answers: Sequence[Answer]) -> list[Answer]:
    """Return the answers of ``compare_right`` with the logits of the wrong states."""
    told = _told(net, looks, [list(answer.wrong) for answer in answers])
    return [
        replace(answer, wrong={state: float(line[SAME]) for state, line in states.items()})
        for answer, states in zip(answers, told, strict=True)
    ]


def _told(
    net: Networks, looks: Sequence[Look], wanted: Sequence[Sequence[str]]
) -> list[dict[str, F32]]:
    """Return what the comparer says of each part and its wanted states, mean over the cuts.

    It runs on as many shots at once as fit the caches.
    """
    rows: dict[tuple[int, ...], list[tuple[int, str, int]]] = {}
    for i, (look, states) in enumerate(zip(looks, wanted, strict=True)):
        for state in states:
            for v in range(len(look.maps)):
                shape = (*look.maps.shape[2:], len(look.shots[state]))
                rows.setdefault(shape, []).append((i, state, v))
    got: list[dict[str, list[F32]]] = [{state: [] for state in states} for states in wanted]
    for shape, every in rows.items():
        count = max(1, AT_ONCE // shape[-1])
        for at in range(0, len(every), count):
            jobs = every[at : at + count]
            out = net.compare(
                np.stack([looks[i].maps[v] for i, _, v in jobs]),
                np.stack([looks[i].shots[state] for i, state, _ in jobs]),
                np.stack([looks[i].mask for i, _, _ in jobs]),
            )
            for (i, state, _), line in zip(jobs, out, strict=True):
                got[i][state].append(line)
    return [
        {state: np.asarray(np.mean(lines, axis=0), np.float32) for state, lines in states.items()}
        for states in got
    ]


def _answer(right: F32, look: Look) -> Answer:
    return Answer(
        right=float(right[SAME]),
        wrong=dict.fromkeys((state for state in look.shots if state != RIGHT), UNASKED),
        sight=float(right[SIGHT]),
        shift=right[[DX, DY]].astype(np.float64),
        shift_error=float(np.exp(np.clip(right[LOG_ERROR_SHIFT], -6, 2))),
        learnt={} if look.expert is None else look.expert.scores(look.maps),
        hardest=look.hardest,
    )


@dataclass(frozen=True)
class Way:
    """From what was said of a part to a probability, and from that to a verdict.

    Attributes:
        weights: of a logistic function of the features; the last one stands alone.
        ok_from: least ``p_right`` of a part that is called ok.
        fault_to: most ``p_right`` of a part that is called a fault; between, it is unsure.
    """

    weights: tuple[float, ...]
    ok_from: float
    fault_to: float

    def p_right(self, features: tuple[float, ...]) -> float:
        """Return the probability, 0 to 1, that the part is as expected."""
        *slopes, constant = self.weights
        logit = sum(w * x for w, x in zip(slopes, features, strict=True)) + constant
        return 1.0 / (1.0 + math.exp(-max(-30.0, min(30.0, logit))))


@dataclass(frozen=True)
class Calibration:
    """How answers become probabilities and verdicts.

    The numbers were fitted on photos that neither taught nor tested (``models/README.md``).
    What can be promised depends on what is known of a part, so each way has lines of its own.

    Attributes:
        alone: for a part that only right shots are known of; features (right, learnt margin up
            to ``MOST_MARGIN``, hardest).
        beside: for one with a shot of a wrong state; features (right, that margin).
        sight_from: logit 'in sight' below which a part that looks like no known state is hidden.
    """

    alone: Way
    beside: Way
    sight_from: float

    def way(self, answer: Answer) -> Way:
        """Return the way for what is known of a part."""
        return self.beside if answer.wrong else self.alone

    def hides(self, answer: Answer) -> bool:
        """Say whether something is in front of a part.

        What is covered looks like no state at all; a missing part is out of sight too, but looks
        like its shots. Where no wrong state was shown, a missing part cannot be told so, and only
        what is surely out of sight counts as hidden.
        """
        if not answer.wrong:
            return answer.sight < min(self.sight_from, HIDDEN_ALONE)
        likeliest = max(answer.right, *answer.wrong.values())
        return answer.sight < self.sight_from and likeliest < LIKE_NOTHING

    def p_right(self, answer: Answer) -> float:
        """Return the probability, 0 to 1, that the part is as expected."""
        return self.way(answer).p_right(features_of(answer))


def features_of(answer: Answer) -> tuple[float, ...]:
    """Return what the probability of a part is worked out from, see ``Calibration``.

    Beside a wrong state the linear judge says which of both it is; how like the wrong shots it is
    says nothing more, and of a state that nobody has shown it misleads.
    """
    margin = min(answer.learnt_margin, MOST_MARGIN)
    if not answer.wrong:
        return answer.right, margin, answer.hardest
    return answer.right, margin


@lru_cache(maxsize=4)
def load_calibration(path: Path) -> Calibration:
    """Read the calibration that comes with the networks.

    Raises:
        ModelError: the file is absent or not what it should be.
    """
    try:
        values = json.loads(path.read_text(encoding="utf-8"))
        return Calibration(
            alone=_way(values["alone"], 4),
            beside=_way(values["beside"], 3),
            sight_from=float(values["sight_from"]),
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ModelError(f"{path} cannot be used ({error}); install the product again") from error


def _way(values: dict[str, Any], count: int) -> Way:
    weights = tuple(float(w) for w in values["weights"])
    if len(weights) != count:
        raise ValueError(f"{count} weights are needed, not {len(weights)}")
    return Way(weights, float(values["ok_from"]), float(values["fault_to"]))
