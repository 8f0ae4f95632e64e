"""Rendered batches that are shown again, changed: the forge takes longer than the networks do.

A batch that comes off the shelf is mirrored or turned, recoloured and lit anew, and other right
shots of it are used, so that it is hardly the same task again.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace

import numpy as np
import torch
from torch import Tensor

from models.training import data
from models.training.groups import RIGHT, Groups, Pictures

LEAST = 40  # batches on the shelf before any is shown again
RELIGHT = 0.6  # strength of the new light


@dataclass
class _Kept:
    """A batch with its patches as bytes."""

    queries: Tensor
    shots: Tensor
    shown: Pictures  # without patches


class Shelf:
    """The newest batches, on the device."""

    def __init__(self, most: int, device: str, seed: int) -> None:
        self.kept: deque[_Kept] = deque(maxlen=most)
        self.rng = np.random.default_rng(seed)
        self.generator = torch.Generator(device).manual_seed(seed)

    @property
    def ready(self) -> bool:
        """Whether there is enough to choose from."""
        return len(self.kept) >= LEAST

    def keep(self, shown: Pictures) -> None:
        """Put a batch on the shelf; the oldest goes when it is full."""
        none = shown.queries[:0]
        bare = replace(shown, queries=none, shots=none)
        self.kept.append(_Kept(_bytes(shown.queries), _bytes(shown.shots), bare))

    def take(self) -> Pictures:
        """Return a batch from the shelf, changed."""
        kept = self.kept[int(self.rng.integers(len(self.kept)))]
        shown = kept.shown
        square = shown.mask.shape[2] == shown.mask.shape[3]
        quarters = int(self.rng.integers(4)) if square else 2 * int(self.rng.integers(2))
        mirrored = bool(self.rng.random() < 0.5)
        count = len(shown.mask)
        colours = data.disguise(count, self.generator, kept.queries.device.type)

        def patches(held: Tensor) -> Tensor:
            x = turned(held.float(), quarters, mirrored)
            x = data.disguised(x, colours.repeat_interleave(len(held) // count, 0))
            return data.to_input(data.relight(x, RELIGHT, self.generator))

        return Pictures(
            patches(kept.queries),
            patches(kept.shots),
            turned(shown.mask, quarters, mirrored),
            turned_target(shown.target, quarters, mirrored),
            self._other_shots(shown.groups),
            turned(shown.changed, quarters, mirrored),
        )

    def _other_shots(self, groups: Groups) -> Groups:
        """Return groups whose queries are compared with other right shots of those there are."""
        weight = groups.weight.copy()
        may = groups.weight[..., :RIGHT].any(1, keepdims=True)  # used for some query
        for g, q in np.ndindex(weight.shape[:2]):
            used = np.flatnonzero(may[g, 0])
            if len(used) and weight[g, q, :RIGHT].any():
                count = min(int(self.rng.choice([1, 1, 2, 3, 4, 6])), len(used))
                weight[g, q, :RIGHT] = 0
                weight[g, q, self.rng.choice(used, count, replace=False)] = 1
        return replace(groups, weight=weight)


def _bytes(patches: Tensor) -> Tensor:
    return (patches * 128 + 127).round().clamp(0, 255).to(torch.uint8)


def turned(x: Tensor, quarters: int, mirrored: bool) -> Tensor:
    """Return (B, C, H, W) mirrored left to right, then turned by quarters, counter-clockwise."""
    return torch.rot90(x.flip(3) if mirrored else x, quarters, (2, 3))


def turned_target(target: Tensor, quarters: int, mirrored: bool) -> Tensor:
    """Return the placements (N, 4) that patches call for once they are turned like that."""
    x, y, log_scale, turn = target.unbind(1)
    if mirrored:
        x, turn = -x, -turn
    for _ in range(quarters):
        x, y = y, -x
    return torch.stack([x, y, log_scale, turn], 1)
