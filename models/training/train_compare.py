"""Train the comparer: is this part in the same state as in these shots of it?

``python -m models.training.train_compare --shards DIR --weights lite0.pth --out part.pt``
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from models.training import data
from models.training.expert import ExpertLoss, features, scores
from models.training.forge import groups as forge_groups
from models.training.forge.groups import Drawn
from models.training.forge.render import Forge
from models.training.groups import (
    KINDS,
    PER_KIND,
    RIGHT,
    SPANS,
    Cutter,
    Groups,
    Pictures,
    Sampler,
)
from models.training.loop import arguments, auroc, clock, fit, say
from models.training.nets import PartNet
from models.training.restore import settle

WEIGHTS = {"right": 1.0, "fault": 0.7, "fitted": 0.5, "sight": 0.3, "place": 0.05}
SIDES = (128, 96, 192)  # roots of a patch's pixels
USUAL = 128  # the root that ``--batch`` groups are for; there are fewer of larger patches
SETTLE_ROUNDS = 12
STATE = [0] * RIGHT + [1 + i for i in range(KINDS) for _ in range(PER_KIND)]


class TrainedNet(PartNet):
    """The networks with what only their training needs."""

    def __init__(self) -> None:
        super().__init__()
        self.expert = ExpertLoss()


@dataclass
class Answers:
    """What the networks say of a batch of G groups with Q queries.

    Attributes:
        out: (G*Q, 1 + KINDS, 8) of the comparer, for each set of shots.
        target: (G*Q, 4) placement that each query calls for.
        fitted: (G*Q, 1 + KINDS) scores of a linear judge fitted to the shots.
        present: (G*Q, 1 + KINDS) the state has a shot for the judge.
    """

    out: Tensor
    target: Tensor
    fitted: Tensor
    present: Tensor


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
        out = _compared(net, own, rest, shown.mask, weight)
    fitted = _fitted(own, rest, shown.mask, weight)
    present = torch.stack([weight[:, span].any(1) for span in SPANS], 1)
    return Answers(out.float(), shown.target, fitted, present)


def _compared(net: TrainedNet, own: Tensor, rest: Tensor, mask: Tensor, weight: Tensor) -> Tensor:
    """Return (G*Q, 1 + KINDS, 8) for maps of queries (G*Q, ...) and shots (G, SHOTS, ...)."""
    per = len(own) // len(rest)
    rest = rest[:, None].expand(-1, per, -1, -1, -1, -1).flatten(0, 1)
    mask = mask.repeat_interleave(per, 0)
    outs = []
    for span in SPANS:
        used = weight[:, span]
        none = (used.sum(1, keepdim=True) == 0).float()  # not counted, but must be finite
        used = torch.cat([torch.maximum(used[:, :1], none), used[:, 1:]], 1)
        outs.append(net.comparer(own, rest[:, span], mask, used))
    return torch.stack(outs, 1)


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


def losses(net: TrainedNet, said: Answers, q: Groups, device: str) -> dict[str, Tensor]:
    """Return the losses of a batch by name."""
    out, target = said.out, said.target
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
        "sight": F.binary_cross_entropy_with_logits(out[:, 0, 1], visible),
        "place": (nll * place).sum() / place.sum().clamp(min=1),
    }


@torch.no_grad()
def validate(net: TrainedNet, draw: Callable[[], Pictures], rounds: int) -> str:
    """Return figures on pictures that were not trained on in one line."""
    net.eval()
    got: list[tuple[NDArray[np.float64], ...]] = []
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
        got.append((o[..., 0], same, count, np.where(q.place.reshape(-1), off, np.nan), margin))
    net.train()
    s, y, n, off, margin = (np.concatenate(c) for c in zip(*got, strict=True))
    known = ~np.isnan(y)
    lines = [f"place {np.nanmedian(off):.4f}"]
    for low, high in ((1, 1), (2, 3), (4, 6)):
        k = known[:, 0] & (n >= low) & (n <= high)
        wrong = ((s[:, 0] > 0) != (y[:, 0] > 0.5))[k].mean() if k.any() else np.nan
        area = auroc(s[k, 0], y[k, 0] > 0.5)
        lines.append(f"right {low}-{high} auroc {area:.4f} err {wrong:.4f}")
    k = known[:, 1:]
    lines.append(f"fault auroc {auroc(s[:, 1:][k], y[:, 1:][k] > 0.5):.4f}")
    lines += _beside(s, y, known, margin)
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


def _groups(usual: int, side: int) -> int:
    """Return how many groups of patches of ``side`` squared pixels take the usual memory."""
    return max(6, min(2 * usual, round(usual * (USUAL / side) ** 2)))


def begin(imagenet: Path | None, resume: Path | None) -> TrainedNet:
    """Return networks with the weights of ``resume`` or, without it, of ``imagenet``.

    Raises:
        ValueError: the file holds another network, or none is given.
    """
    net = TrainedNet()
    if resume:
        weights = torch.load(resume, map_location="cpu", weights_only=True)
        missing, other = net.load_state_dict(weights, strict=False)
        if other or set(missing) - {"expert.log_scale"}:
            raise ValueError(f"{resume} holds another network")
    elif imagenet:
        net.describer.backbone.load_imagenet(str(imagenet))
    else:
        raise ValueError("name --weights or --resume")
    return net


def _cut_out(sampler: Sampler, usual: int, side: int) -> Groups:
    """Draw groups from pictures of shards; long patches in one size, as the forge's."""
    kind = sampler.kind()
    side = side if kind == forge_groups.SQUARE else USUAL
    return sampler.batch(_groups(usual, side), side, kind)


def _forged(rng: np.random.Generator, usual: int, side: int) -> Drawn:
    """Draw groups of one aspect; long patches come in one size, since each shape warms up."""
    kind = int(rng.choice(len(forge_groups.SHARE), p=forge_groups.SHARE))
    side = side if kind == forge_groups.SQUARE else USUAL
    return forge_groups.batch(rng, _groups(usual, side), side, kind)


class Studio:
    """Shows the networks pictures: cut out of those of shards, made by the forge, or both.

    Attributes:
        forged: share of batches that the forge makes.
        bank: pictures of shards; None without.
        held: its machines that are kept out of training.
    """

    def __init__(self, args: argparse.Namespace) -> None:
        """Read what there is and start drawing; the GPU is not used yet."""
        self.args, self.device = args, args.device
        self.bank = None if args.shards is None else data.load_bank(args.shards, None)
        self.forged = 1.0 if self.bank is None else args.forged
        count = 0 if self.bank is None else len(self.bank.episodes)
        self.held = [m for m in range(count) if m % 20 == 0]
        self.used = [m for m in range(count) if m % 20 != 0]
        self.batches = data.Prefetch(self._draw, args.workers)

    def _draw(self, number: int) -> Iterator[Groups | Drawn]:
        seed = self.args.seed * 100 + number
        rng = np.random.default_rng(seed)
        sampler = None if self.bank is None else Sampler(self.bank, self.used, seed)
        while True:
            for side in SIDES:
                if sampler is None or rng.random() < self.forged:
                    yield _forged(rng, self.args.batch, side)
                else:
                    yield _cut_out(sampler, self.args.batch, side)

    def open(self) -> None:
        """Make ready what needs the GPU."""
        if self.bank is not None:
            self.bank.upload(self.device)
            self.cutter = Cutter(self.bank, self.device, self.args.seed)
        if self.forged > 0:
            self.forge = Forge(self.device, self.args.seed)

    def show(self) -> Pictures:
        """Return the next batch."""
        drawn = self.batches.get()
        if isinstance(drawn, Groups):
            return self.cutter.present(drawn, train=True)
        return self.forge.present(drawn, train=True)

    def judged(self, net: TrainedNet, side: int) -> Iterator[str]:
        """Yield figures on what is kept out of training, by where it comes from."""
        usual, rounds = (self.args.batch, 50) if self.device != "cpu" else (2, 1)
        if self.bank is not None:
            sampler, cutter = Sampler(self.bank, self.held, 7), Cutter(self.bank, self.device, 7)
            said = validate(
                net,
                lambda: cutter.present(_cut_out(sampler, usual, side), train=False),
                rounds,
            )
            yield f"held out, {side}: {said}"
        if self.forged > 0:
            forge, rng = Forge(self.device, 7), np.random.default_rng(7)
            said = validate(
                net,
                lambda: forge.present(_forged(rng, usual, side), train=False),
                (rounds + 3) // 4,
            )
            yield f"forged, {side}: {said}"


def main() -> None:
    """Read the command line and train."""
    parser = arguments(__doc__, batch=28, rate=1.5e-3)
    parser.add_argument(
        "--forged",
        type=float,
        default=0.8,
        help="share of batches that the forge makes (%(default)s)",
    )
    args = parser.parse_args()
    started = time.monotonic()
    torch.manual_seed(args.seed)
    studio = Studio(args)
    studio.open()
    say(f"{len(studio.used)} machines, {clock(started)}")
    net = begin(args.weights, args.resume)
    net.to(args.device, memory_format=torch.channels_last).train()

    def draw() -> dict[str, Tensor]:
        shown = studio.show()
        return losses(net, forward(net, shown), shown.groups, args.device)

    if args.resume:
        settle(net, lambda: forward(net, studio.show()), SETTLE_ROUNDS)
        for line in studio.judged(net, USUAL):
            say(f"begins with {line}")
    smooth = fit(net, net.describer.backbone, draw, WEIGHTS, args, started)
    for line in studio.judged(smooth, USUAL):
        say(line)


if __name__ == "__main__":
    main()
