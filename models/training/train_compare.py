"""Train the comparer: is this part in the same state as in these shots of it?

``python -m models.training.train_compare --shards DIR --weights lite0.pth --out part.pt``
"""

from __future__ import annotations

import time
from collections.abc import Iterator

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from models.training import data
from models.training.groups import KINDS, PER_KIND, RIGHT, Cutter, Groups, Sampler
from models.training.loop import arguments, auroc, clock, fit, say
from models.training.nets import PartNet

WEIGHTS = {"right": 1.0, "fault": 0.7, "sight": 0.3, "place": 0.05}
SIZES = (128, 96, 128, 192)


def forward(
    net: PartNet, cutter: Cutter, q: Groups, size: int, train: bool
) -> tuple[Tensor, Tensor]:
    """Return outputs (G*Q, 1 + KINDS, 8) for the sets of shots and placement targets (G*Q, 4)."""
    device = cutter.device
    groups, per = q.queries.shape[:2]
    which = torch.from_numpy(q.queries).to(device).reshape(-1, 3)
    shots = torch.from_numpy(np.maximum(q.shots, 0)).to(device).reshape(-1, 3)
    weight = torch.from_numpy(q.weight).to(device).reshape(groups * per, -1)
    move, target = cutter.jitter(len(which), size, 1.0)
    still, _ = cutter.jitter(len(shots), size, 0.4)
    strength = 1.0 if train else 0.0
    patch = cutter.patches(which, size, move, strength)
    refs = cutter.patches(shots, size, still, strength)
    mask = cutter.outline(shots.reshape(groups, -1, 3)[:, 0], size)
    mask = mask.repeat_interleave(per, 0)
    x = torch.cat([patch, refs]).contiguous(memory_format=torch.channels_last)
    with torch.autocast(device.split(":")[0], torch.bfloat16):
        maps = net.describer(x).contiguous()
        own = maps[: len(which)]
        rest = maps[len(which) :].reshape(groups, 1, -1, *maps.shape[1:])
        rest = rest.expand(-1, per, -1, -1, -1, -1).flatten(0, 1)
        spans = [slice(0, RIGHT)]
        spans += [slice(RIGHT + i * PER_KIND, RIGHT + (i + 1) * PER_KIND) for i in range(KINDS)]
        outs = []
        for span in spans:
            used = weight[:, span]
            none = (used.sum(1, keepdim=True) == 0).float()  # not counted, but must be finite
            used = torch.cat([torch.maximum(used[:, :1], none), used[:, 1:]], 1)
            outs.append(net.comparer(own, rest[:, span], mask, used))
    return torch.stack(outs, 1).float(), target


def losses(out: Tensor, target: Tensor, q: Groups, device: str) -> dict[str, Tensor]:
    """Return the losses of a batch by name."""
    same = torch.from_numpy(q.same).to(device).flatten(0, 1)
    known = (~torch.isnan(same)).float()
    bce = F.binary_cross_entropy_with_logits(out[..., 0], same.nan_to_num(), reduction="none")
    bce = bce * known
    visible = torch.from_numpy(q.visible).to(device).flatten()
    place = torch.from_numpy(q.place).to(device).flatten().float()
    b1, b2 = out[:, 0, 6].clamp(-6, 2), out[:, 0, 7].clamp(-6, 2)
    shift = (out[:, 0, 2:4] - target[:, :2]).abs().sum(1)
    turn = (out[:, 0, 4:6] - target[:, 2:]).abs().sum(1)
    nll = shift * torch.exp(-b1) + 2 * b1 + turn * torch.exp(-b2) + 2 * b2
    return {
        "right": bce[:, 0].sum() / known[:, 0].sum(),
        "fault": bce[:, 1:].sum() / known[:, 1:].sum().clamp(min=1),
        "sight": F.binary_cross_entropy_with_logits(out[:, 0, 1], visible),
        "place": (nll * place).sum() / place.sum().clamp(min=1),
    }


@torch.no_grad()
def validate(net: PartNet, bank: data.Bank, machines: list[int], device: str, size: int) -> str:
    """Return held-out figures in one line."""
    net.eval()
    sampler, cutter = Sampler(bank, machines, 7), Cutter(bank, device, 7)
    got: list[tuple[NDArray[np.float64], ...]] = []
    for _ in range(30 if device != "cpu" else 1):
        q = sampler.batch(24 if device != "cpu" else 2)
        out, target = forward(net, cutter, q, size, train=False)
        o = out.double().cpu().numpy()
        off = np.abs(o[:, 0, 2:4] - target.cpu().numpy()[:, :2]).sum(1)
        same = q.same.reshape(-1, 1 + KINDS).astype(float)
        count = q.weight[:, :, :RIGHT].sum(2).reshape(-1)
        got.append((o[..., 0], same, count, np.where(q.place.reshape(-1), off, np.nan)))
    net.train()
    s, y, n, off = (np.concatenate(c) for c in zip(*got, strict=True))
    known = ~np.isnan(y)
    lines = [f"place {np.nanmedian(off):.4f}"]
    for low, high in ((1, 1), (2, 3), (4, 6)):
        k = known[:, 0] & (n >= low) & (n <= high)
        wrong = ((s[:, 0] > 0) != (y[:, 0] > 0.5))[k].mean() if k.any() else np.nan
        area = auroc(s[k, 0], y[k, 0] > 0.5)
        lines.append(f"right {low}-{high} auroc {area:.4f} err {wrong:.4f}")
    k = known[:, 1:]
    lines.append(f"fault auroc {auroc(s[:, 1:][k], y[:, 1:][k] > 0.5):.4f}")
    both = known[:, 0] & known[:, 1]
    diff = s[both, 0] - s[both, 1:].max(1, where=known[both, 1:], initial=-50.0)
    lines.append(f"right-vs-fault auroc {auroc(diff, y[both, 0] > 0.5):.4f}")
    return "; ".join(lines)


def main() -> None:
    """Read the command line and train."""
    args = arguments(__doc__, batch=28, rate=1.5e-3).parse_args()
    started = time.monotonic()
    torch.manual_seed(args.seed)
    bank = data.load_bank(args.shards, None)
    held = [m for m in range(len(bank.episodes)) if m % 20 == 0]
    used = [m for m in range(len(bank.episodes)) if m % 20 != 0]

    def make(number: int) -> Iterator[tuple[int, Groups]]:
        sampler = Sampler(bank, used, args.seed * 100 + number)
        while True:
            for size in SIZES:
                yield size, sampler.batch(args.batch // 2 if size == 192 else args.batch)

    batches = data.Prefetch(make, args.workers)
    bank.upload(args.device)
    say(f"{len(bank.episodes)} machines, {len(bank.images)} pictures, {clock(started)}")
    net = PartNet()
    net.describer.backbone.load_imagenet(str(args.weights))
    if args.resume:
        net.load_state_dict(torch.load(args.resume, map_location="cpu", weights_only=True))
    net.to(args.device, memory_format=torch.channels_last).train()
    cutter = Cutter(bank, args.device, args.seed)

    def draw() -> dict[str, Tensor]:
        size, q = batches.get()
        out, target = forward(net, cutter, q, size, train=True)
        return losses(out, target, q, args.device)

    smooth = fit(net, net.describer.backbone, draw, WEIGHTS, args, started)
    for size in (96, 128, 192):
        say(f"held out, {size}: " + validate(smooth, bank, held, args.device, size))


if __name__ == "__main__":
    main()
