"""Train the comparer: is this part in the same state as in these shots of it?

``python -m models.training.train_compare --shards DIR --weights lite0.pth --out part.pt``
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from models.training.expert import ExpertLoss, features, scores
from models.training.groups import (
    CELL_CHANGED,
    KINDS,
    PER_KIND,
    RIGHT,
    SPANS,
    Pictures,
)
from models.training.loop import arguments, auroc, clock, fit, say
from models.training.nets import PartNet
from models.training.restore import settle
from models.training.seeking import SeekLoss, best_shift, likeness
from models.training.studio import USUAL, Studio, add_arguments

WEIGHTS = {
    "right": 1.0, "fault": 0.7, "fitted": 0.5, "cells": 1.0,
    "sight": 0.3, "place": 0.05, "seek": 0.2,
}  # fmt: skip
SETTLE_ROUNDS = 12
SAME_TO = 0.02  # share of a cell that a state changes and that counts as the same nevertheless
CHANGED_WEIGHT = 2.0  # of a changed cell; most are the same
STATE = [0] * RIGHT + [1 + i for i in range(KINDS) for _ in range(PER_KIND)]


class TrainedNet(PartNet):
    """The networks with what only their training needs.

    Attributes:
        fixed: the describer stays as it is, statistics of its normalisations included.
    """

    def __init__(self) -> None:
        super().__init__()
        self.expert, self.seek = ExpertLoss(), SeekLoss()
        self.fixed = False

    def train(self, mode: bool = True) -> TrainedNet:
        """Set the mode, of the describer only where it is trained."""
        super().train(mode)
        self.describer.train(mode and not self.fixed)
        return self

    def fix(self) -> None:
        """Train the comparer alone from now on."""
        self.fixed = True
        self.describer.requires_grad_(False)
        self.train(self.training)


@dataclass
class Answers:
    """What the networks say of a batch of G groups with Q queries.

    Attributes:
        out: (G*Q, 1 + KINDS, 8) of the comparer, for each set of shots.
        target: (G*Q, 4) placement that each query calls for.
        fitted: (G*Q, 1 + KINDS) scores of a linear judge fitted to the shots.
        present: (G*Q, 1 + KINDS) the state has a shot for the judge.
        cells: (G*Q, 1, h, w) logits that a cell shows another state than the right shots.
        table: (G*Q, n, n) how like the right shots each query is, by shift in cells.
    """

    out: Tensor
    target: Tensor
    fitted: Tensor
    present: Tensor
    cells: Tensor
    table: Tensor


def forward(net: TrainedNet, shown: Pictures) -> Answers:
    """Describe each patch of a batch once, and compare."""
    groups, device = shown.groups, shown.queries.device
    count = len(shown.queries)
    weight = torch.from_numpy(groups.weight).to(device).flatten(0, 1)
    x = torch.cat([shown.queries, shown.shots]).contiguous(memory_format=torch.channels_last)
    with torch.autocast(device.type, torch.bfloat16):
        maps = net.describer(x).contiguous()
    own, rest = maps[:count], maps[count:].reshape(len(shown.mask), -1, *maps.shape[1:])
    with torch.autocast(device.type, torch.bfloat16):
        out, cells = _compared(net, own, rest, shown.mask, weight)
    fitted = _fitted(own, rest, shown.mask, weight)
    present = torch.stack([weight[:, span].any(1) for span in SPANS], 1)
    table = likeness(own, rest[:, SPANS[0]], shown.mask, weight[:, SPANS[0]])
    return Answers(out.float(), shown.target, fitted, present, cells.float(), table)


def _compared(
    net: TrainedNet, own: Tensor, rest: Tensor, mask: Tensor, weight: Tensor
) -> tuple[Tensor, Tensor]:
    """Return (G*Q, 1 + KINDS, 8) for maps of queries (G*Q, ...) and shots (G, SHOTS, ...).

    The second tensor has the cells of the comparison with the right shots.
    """
    per = len(own) // len(rest)
    rest = rest[:, None].expand(-1, per, -1, -1, -1, -1).flatten(0, 1)
    mask = mask.repeat_interleave(per, 0)
    outs = []
    for span in SPANS:
        used = weight[:, span]
        none = (used.sum(1, keepdim=True) == 0).float()  # not counted, but must be finite
        used = torch.cat([torch.maximum(used[:, :1], none), used[:, 1:]], 1)
        outs.append(net.comparer.answer(own, rest[:, span], mask, used))
    return torch.stack([out for out, _ in outs], 1), outs[0][1]


def _fitted(own: Tensor, rest: Tensor, mask: Tensor, weight: Tensor) -> Tensor:
    """Return (G*Q, 1 + KINDS) scores of the linear judge of each query's own shots."""
    groups, count = rest.shape[:2]
    per = len(own) // groups
    shots = features(rest.flatten(0, 1), mask.repeat_interleave(count, 0))
    shots = shots.reshape(groups, count, -1)
    query = features(own, mask.repeat_interleave(per, 0)).reshape(groups, per, -1)
    gram = (shots @ shots.transpose(1, 2)).repeat_interleave(per, 0)
    near = (query @ shots.transpose(1, 2)).flatten(0, 1)
    state = torch.tensor(STATE, device=own.device)
    return scores(gram, near, state, weight, 1 + KINDS)


def losses(net: TrainedNet, said: Answers, shown: Pictures) -> dict[str, Tensor]:
    """Return the losses of a batch by name."""
    out, target, q, changed = said.out, said.target, shown.groups, shown.changed
    device = out.device
    same = torch.from_numpy(q.same).to(device).flatten(0, 1)
    known = (~torch.isnan(same)).float()
    same = same.nan_to_num()
    bce = F.binary_cross_entropy_with_logits(out[..., 0], same, reduction="none")
    bce = bce * known
    visible = torch.from_numpy(q.visible).to(device).flatten()
    place = torch.from_numpy(q.place).to(device).flatten().float()
    b1, b2 = out[:, 0, 6].clamp(-6, 2), out[:, 0, 7].clamp(-6, 2)
    shift = (out[:, 0, 2:4] - target[:, :2]).abs().sum(1)
    turn = (out[:, 0, 4:6] - target[:, 2:]).abs().sum(1)
    nll = shift * torch.exp(-b1) + 2 * b1 + turn * torch.exp(-b2) + 2 * b2
    # The judge chooses among the states that have shots: right or one of the wrong ones.
    choice = said.present[:, 0] & said.present[:, 1:].any(1) & (same.sum(1) > 0)
    truth = torch.where(choice, same.argmax(1), -1)
    return {
        "right": bce[:, 0].sum() / known[:, 0].sum(),
        "fault": bce[:, 1:].sum() / known[:, 1:].sum().clamp(min=1),
        "fitted": net.expert(said.fitted, said.present, truth),
        "cells": _cells_loss(said, changed),
        "sight": F.binary_cross_entropy_with_logits(out[:, 0, 1], visible),
        "place": (nll * place).sum() / place.sum().clamp(min=1),
        "seek": net.seek(said.table, _cells_off(said), place * said.present[:, 0]),
    }


def _cells_off(said: Answers) -> Tensor:
    """Return (G*Q, 2): how many cells right and down of its place each query shows the part."""
    height, width = said.cells.shape[2:]
    return said.target[:, :2] * (height * width) ** 0.5


def _cells_loss(said: Answers, changed: Tensor) -> Tensor:
    """Return the mean loss of cells that are known to be changed or the same."""
    more = (changed > CELL_CHANGED).float()
    counts = (more + (changed <= SAME_TO).float()) * said.present[:, 0, None, None, None]
    loss = F.binary_cross_entropy_with_logits(said.cells, more, reduction="none")
    return (loss * counts * (1 + (CHANGED_WEIGHT - 1) * more)).sum() / counts.sum().clamp(min=1)


@torch.no_grad()
def validate(net: TrainedNet, draw: Callable[[], Pictures], rounds: int) -> str:
    """Return figures on pictures that were not trained on in one line."""
    net.eval()
    got: list[tuple[NDArray[np.float64], ...]] = []
    cells: list[tuple[NDArray[np.float64], NDArray[np.bool_]]] = []
    sought: list[NDArray[np.float64]] = []
    for _ in range(rounds):
        shown = draw()
        q, said = shown.groups, forward(net, shown)
        o = said.out.double().cpu().numpy()
        off = np.abs(o[:, 0, 2:4] - said.target.cpu().numpy()[:, :2]).sum(1)
        same = q.same.reshape(-1, 1 + KINDS).astype(float)
        count = q.weight[:, :, :RIGHT].sum(2).reshape(-1)
        fitted = said.fitted.double().cpu().numpy()
        fitted[~said.present.cpu().numpy()] = -50
        margin = fitted[:, 0] - fitted[:, 1:].max(1)
        share = shown.changed[said.present[:, 0]].cpu().numpy()
        sure = (share <= SAME_TO) | (share > CELL_CHANGED)
        logit = said.cells[said.present[:, 0]].double().cpu().numpy()
        cells.append((logit[sure], share[sure] > CELL_CHANGED))
        known = (q.place.reshape(-1) & said.present[:, 0].cpu().numpy())[:, None]
        sought.append(
            np.where(known, best_shift(said.table) - _cells_off(said).cpu().numpy(), np.nan)
        )
        got.append((o[..., 0], same, count, np.where(q.place.reshape(-1), off, np.nan), margin))
    net.train()
    s, y, n, off, margin = (np.concatenate(c) for c in zip(*got, strict=True))
    known = ~np.isnan(y)
    beside = np.linalg.norm(np.concatenate(sought), axis=1)
    lines = [f"place {np.nanmedian(off):.4f}; sought {np.nanmedian(beside):.2f} cells off"]
    for low, high in ((1, 1), (2, 3), (4, 6)):
        k = known[:, 0] & (n >= low) & (n <= high)
        wrong = ((s[:, 0] > 0) != (y[:, 0] > 0.5))[k].mean() if k.any() else np.nan
        area = auroc(s[k, 0], y[k, 0] > 0.5)
        lines.append(f"right {low}-{high} auroc {area:.4f} err {wrong:.4f}")
    k = known[:, 1:]
    lines.append(f"fault auroc {auroc(s[:, 1:][k], y[:, 1:][k] > 0.5):.4f}")
    lines += _beside(s, y, known, margin)
    logit, other = (np.concatenate(c) for c in zip(*cells, strict=True))
    if len(logit):
        lines.append(f"cells auroc {auroc(logit, other):.4f}")
    return "; ".join(lines)


def _beside(
    s: NDArray[np.float64],
    y: NDArray[np.float64],
    known: NDArray[np.bool_],
    margin: NDArray[np.float64],
) -> list[str]:
    """Return figures of telling right from the wrong states that have shots."""
    k = known[:, 0] & known[:, 1:].any(1) & (np.nansum(y, 1) > 0)
    diff = s[k, 0] - s[k, 1:].max(1, where=known[k, 1:], initial=-50.0)
    truth = y[k, 0] > 0.5
    figures = {"comparer": diff, "judge": margin[k], "both": diff + 3 * margin[k]}
    return [f"right-vs-fault by {n} auroc {auroc(v, truth):.4f}" for n, v in figures.items()]


def begin(imagenet: Path | None, resume: Path | None) -> TrainedNet:
    """Return networks with the weights of ``resume`` or, without it, of ``imagenet``.

    Raises:
        ValueError: the file holds another network, or none is given.
    """
    net = TrainedNet()
    if resume:
        weights = torch.load(resume, map_location="cpu", weights_only=True)
        missing, other = net.load_state_dict(weights, strict=False)
        if other or set(missing) - {"expert.log_scale", "seek.log_sharp"}:
            raise ValueError(f"{resume} holds another network")
    elif imagenet:
        net.describer.backbone.load_imagenet(str(imagenet))
    else:
        raise ValueError("name --weights or --resume")
    return net


def judge(net: TrainedNet, studio: Studio, before: str = "") -> None:
    """Say how good networks are on what is kept out of training."""
    for name, draw, rounds in studio.trials(USUAL):
        say(f"{before}{name}: {validate(net, draw, rounds)}")


def main() -> None:
    """Read the command line and train."""
    parser = arguments(__doc__, batch=28, rate=1.5e-3)
    add_arguments(parser)
    parser.add_argument(
        "--describer",
        type=float,
        default=0.45,
        help="the describer's rate as a share of --rate; 0 leaves it as it is (%(default)s)",
    )
    args = parser.parse_args()
    started = time.monotonic()
    torch.manual_seed(args.seed)
    studio = Studio(args)
    studio.open()
    say(f"{len(studio.used)} machines, {clock(started)}")
    net = begin(args.weights, args.resume)
    net.to(args.device, memory_format=torch.channels_last).train()
    if args.describer == 0:
        net.fix()

    def draw() -> dict[str, Tensor]:
        shown = studio.show()
        return losses(net, forward(net, shown), shown)

    if args.resume:
        settle(net, lambda: forward(net, studio.show()), SETTLE_ROUNDS)
        judge(net, studio, "begins with ")
    smooth = fit(net, net.describer, draw, WEIGHTS, args, started, args.describer)
    judge(smooth, studio)


if __name__ == "__main__":
    main()
