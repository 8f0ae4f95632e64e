"""The part's own linear judge inside training, so that maps are learnt that serve it.

``verify.vision.learnt`` fits regularised least squares to the maps of a machine's shots. Here
the same solution is taken, differentiable, for the shots of every query (after Bertinetto,
Henriques, Torr and Vedaldi 2019, "Meta-learning with differentiable closed-form solvers",
arXiv 1805.08136): the loss of its scores on the query flows back into the describer.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor, nn
from torch.nn import functional as F

# As in verify.vision.learnt, which needs OpenCV; a test holds them together.
RIDGE, OUTSIDE, BLUR = 0.01, 0.15, 3


def features(maps: Tensor, mask: Tensor) -> Tensor:
    """Return (B, D) of maps (B, C, h, w) and outlines (B, 1, h, w); see verify.vision.learnt."""
    unit = F.normalize(maps.float(), dim=1)
    edge = BLUR // 2
    # OpenCV's box filter mirrors the border without repeating its last pixel.
    soft = F.avg_pool2d(F.pad(unit, (edge,) * 4, mode="reflect"), BLUR, 1)
    weight = OUTSIDE + mask.float()
    return (soft * torch.sqrt(weight / weight.sum((2, 3), keepdim=True))).flatten(1)


def scores(gram: Tensor, near: Tensor, state: Tensor, used: Tensor, states: int) -> Tensor:
    """Return (B, states) scores of queries, about 1 where the state fits and -1 where not.

    Only products of features are needed, so that queries with the same shots share them.

    Args:
        gram: (B, S, S) products of the features of the query's shots.
        near: (B, S) products of the query's features with theirs.
        state: (S,) int64, the state that each shot shows.
        used: (B, S), 1 where the shot may be used.
        states: number of states. A state without a used shot scores as if it never fits.
    """
    onehot = F.one_hot(state, states).to(gram.dtype)  # (S, states)
    count = used @ onehot  # (B, states)
    present = (count > 0).float().sum(1, keepdim=True)
    share = used * used.sum(1, keepdim=True) / present.clamp(min=1)
    share = share / count.clamp(min=1)[:, state]  # states weigh the same
    portion = (share / share.sum(1, keepdim=True).clamp(min=1e-6))[:, None]  # (B, 1, S)
    target = 2 * onehot - 1
    mean_target = portion @ target  # (B, 1, states)
    to_mean = portion @ gram  # (B, 1, S), products of the mean with each shot
    length = to_mean @ portion.transpose(1, 2)  # (B, 1, 1), of the mean with itself
    root = share.sqrt()[..., None]
    centred = gram - to_mean - to_mean.transpose(1, 2) + length
    kernel = root * centred * root.transpose(1, 2)
    system = kernel + RIDGE * torch.eye(len(state), device=kernel.device)
    dual = torch.linalg.solve(system, root * (target - mean_target))
    row = near[:, None]
    row = row - row @ portion.transpose(1, 2) - to_mean + length
    return (row @ (root * dual) + mean_target).squeeze(1)


class ExpertLoss(nn.Module):
    """Cross-entropy of the judge's scores over the states that have shots, scale learnt."""

    def __init__(self) -> None:
        super().__init__()
        self.log_scale = nn.Parameter(torch.tensor(math.log(3.0)))

    def forward(self, told: Tensor, present: Tensor, truth: Tensor) -> Tensor:
        """Return the mean loss.

        Args:
            told: (B, states) scores.
            present: (B, states) booleans, the state has a shot.
            truth: (B,) int64 state of the query, -1 where it does not count.
        """
        logits = (told * self.log_scale.exp()).masked_fill(~present, -1e4)
        loss = F.cross_entropy(logits, truth.clamp(min=0), reduction="none")
        counts = (truth >= 0).float()
        return (loss * counts).sum() / counts.sum().clamp(min=1)
