"""Parts are looked for by the describer's maps: its training is told where they lie.

``verify.vision.locate`` slides the mean look of a part's right shots over its surroundings. Here
that is done for every right query, and the likeness has to be highest where the query shows the
part.
"""

from __future__ import annotations

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn import functional as F

REACH = 3  # cells to each side
# As in verify.vision.locate, which needs OpenCV; a test holds them together.
INSIDE = 0.2


def likeness(own: Tensor, rest: Tensor, mask: Tensor, used: Tensor) -> Tensor:
    """Return (G*Q, n, n) mean cosines of queries with their templates, by shift down and right.

    Args:
        own: (G*Q, C, h, w) maps of queries.
        rest: (G, K, C, h, w) maps of the groups' right shots.
        mask: (G, 1, h, w) share of each cell inside the outline.
        used: (G*Q, K) 1 where the shot may be used.
    """
    per, (height, width) = len(own) // len(rest), own.shape[2:]
    looks = F.normalize(rest.float(), dim=2)
    share = used / used.sum(1, keepdim=True).clamp(min=1)
    share = share.reshape(len(rest), per, -1)
    template = torch.einsum("gqk,gkchw->gqchw", share, looks).flatten(0, 1)
    inside = (mask > INSIDE).float().repeat_interleave(per, 0)
    template = template * inside
    seen = F.pad(F.normalize(own.float(), dim=1), (REACH,) * 4)
    rows = [
        torch.stack(
            [
                (template * seen[:, :, y : y + height, x : x + width]).sum((1, 2, 3))
                for x in range(2 * REACH + 1)
            ],
            1,
        )
        for y in range(2 * REACH + 1)
    ]
    return torch.stack(rows, 1) / inside.sum((1, 2, 3)).clamp(min=1)[:, None, None]


def wanted(shift: Tensor) -> Tensor:
    """Return (N, n, n) shares of the shifts next to (N, 2) shifts right and down, in cells.

    Between cells the nearest ones share; what is out of reach has no share.
    """
    at = torch.arange(-REACH, REACH + 1, device=shift.device)
    across, down = ((1 - (s[:, None] - at).abs()).clamp(min=0) for s in shift.unbind(1))
    return down[:, :, None] * across[:, None, :]


def best_shift(table: Tensor) -> NDArray[np.float64]:
    """Return (N, 2): cells right and down where the likeness is highest."""
    n = table.shape[2]
    best = table.flatten(1).argmax(1).cpu().numpy()
    return np.stack([best % n, best // n], 1).astype(np.float64) - REACH


class SeekLoss(nn.Module):
    """Cross-entropy of the likeness over shifts; how sharply it is taken is learnt."""

    def __init__(self) -> None:
        super().__init__()
        self.log_sharp = nn.Parameter(torch.tensor(3.0))

    def forward(self, table: Tensor, shift: Tensor, counts: Tensor) -> Tensor:
        """Return the mean loss.

        Args:
            table: (N, n, n), see :func:`likeness`.
            shift: (N, 2) where the part lies, cells right and down.
            counts: (N,) 1 where that is known.
        """
        share = wanted(shift)
        told = F.log_softmax((table * self.log_sharp.exp()).flatten(1), 1)
        loss = -(share.flatten(1) * told).sum(1)
        counts = counts * (share.sum((1, 2)) > 0.99)
        return (loss * counts).sum() / counts.sum().clamp(min=1)
