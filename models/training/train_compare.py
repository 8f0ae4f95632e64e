"""Train the comparer: is this part in the same state as in these shots of it?

``python -m models.training.train_compare --shards DIR --weights lite0.pth --out part.pt``
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from models.training import data
from models.training.nets import PartNet

MARGIN = 1.35  # side of a patch over the side of the part's square
MOST_SHOTS = 8


@dataclass
class Queries:
    """One batch, by indices: sets of shots for the right state and for one wrong state."""

    machine: NDArray[np.int64]  # (B,)
    photo: NDArray[np.int64]  # (B,)
    slot: NDArray[np.int64]  # (B,)
    shots: NDArray[np.int64]  # (B, 2, K, 3) machine, photo, slot; -1 where none
    same: NDArray[np.float32]  # (B, 2) target, NaN where it does not count
    visible: NDArray[np.float32]  # (B,)
    place: NDArray[np.bool_]  # (B,) placement counts


class Sampler:
    """Draw queries and their sets of shots from episodes."""

    def __init__(self, bank: data.Bank, machines: list[int], seed: int) -> None:
        self.bank, self.machines = bank, machines
        self.rng = np.random.default_rng(seed)
        self.groups: dict[int, list[NDArray[np.int64]]] = {}
        for m in machines:
            alike = bank.episodes[m].alike
            self.groups[m] = [np.flatnonzero(alike == g) for g in np.unique(alike)]

    def _pick(
        self, m: int, slots: NDArray[np.int64], own: int, state: int, photo: int, count: int
    ) -> list[tuple[int, int, int]]:
        """Choose up to ``count`` shots of a state, mostly of the slot itself."""
        e = self.bank.episodes[m]
        ok = (e.state[:, slots] == state) & (e.visible[:, slots] > 0.8)
        ok[photo] = False
        photos, columns = np.nonzero(ok)
        if len(photos) == 0:
            return []
        chosen = slots[columns]
        weight = np.where(chosen == own, 1.0, 0.35)
        if self.rng.random() < 0.5:
            weight = weight * np.where((photos == 0) & (chosen == own), 20.0, 1.0)
        count = min(count, len(photos))
        at = self.rng.choice(len(photos), count, replace=False, p=weight / weight.sum())
        return [(m, int(photos[i]), int(chosen[i])) for i in at]

    def batch(self, size: int) -> Queries:
        rng, rows = self.rng, []
        while len(rows) < size:
            row = self._row()
            if row is not None:
                rows.append(row)
        rng.shuffle(rows)
        pack = [np.array(c) for c in zip(*rows, strict=True)]
        return Queries(*pack)

    def _row(self) -> tuple[object, ...] | None:
        rng = self.rng
        m = int(rng.choice(self.machines))
        e = self.bank.episodes[m]
        slots = self.groups[m][rng.integers(len(self.groups[m]))]
        states = np.unique(e.state[:, slots])
        wrong_states = states[states > 0]
        want = 0 if rng.random() < 0.5 or len(wrong_states) == 0 else int(rng.choice(wrong_states))
        hidden = rng.random() < 0.08
        seen = e.visible[:, slots]
        ok = (seen < 0.4) if hidden else (e.state[:, slots] == want) & (seen > 0.45)
        photos, columns = np.nonzero(ok)
        if len(photos) == 0:
            return None
        i = rng.integers(len(photos))
        k, p = int(photos[i]), int(slots[columns[i]])
        state, visible = int(e.state[k, p]), float(e.visible[k, p])
        count = int(rng.choice([1, 1, 1, 2, 3, 4, 6, 8]))
        right = self._pick(m, slots, p, 0, k, count)
        if not right:
            return None
        foreign = rng.random() < 0.06
        if foreign:
            m2 = m if rng.random() < 0.5 else int(rng.choice(self.machines))
            other = self.groups[m2][rng.integers(len(self.groups[m2]))]
            if m2 == m and p in other:
                return None
            right = self._pick(m2, other, int(other[0]), 0, -1, count)
            if not right:
                return None
        same0 = 1.0 if state == 0 and visible > 0.75 and not foreign else 0.0
        if state == 0 and not foreign and 0.4 < visible <= 0.75:
            same0 = np.nan
        t = state if state > 0 and rng.random() < 0.6 else 0
        if t == 0 and len(wrong_states):
            t = int(rng.choice(wrong_states))
        fault = self._pick(m, slots, p, t, k, int(rng.choice([1, 1, 2, 2, 3]))) if t else []
        same1 = np.nan if not fault else float(state == t and visible > 0.75)
        if fault and state == t and 0.4 < visible <= 0.75:
            same1 = np.nan
        shots = np.full((2, MOST_SHOTS, 3), -1, np.int64)
        shots[0, : len(right)] = right
        if fault:
            shots[1, : len(fault)] = fault
        place = state == 0 and visible > 0.75 and not foreign
        return m, k, p, shots, np.array([same0, same1], np.float32), np.float32(visible), place


class Cutter:
    """Turn indices into patches on the device."""

    def __init__(self, bank: data.Bank, device: str, seed: int) -> None:
        self.bank, self.device = bank, device
        self.generator = torch.Generator(device).manual_seed(seed)
        most = max(e.part_quad.shape[1] for e in bank.episodes)
        shots = max(e.part_quad.shape[0] for e in bank.episodes)
        quads = np.zeros((len(bank.episodes), shots, most, 4, 2), np.float32)
        masks = np.zeros((len(bank.episodes), most, 16, 2), np.float32)
        for i, e in enumerate(bank.episodes):
            quads[i, : e.part_quad.shape[0], : e.part_quad.shape[1]] = e.part_quad
            masks[i, : len(e.part_mask)] = e.part_mask
        self.quads = torch.from_numpy(quads).to(device)
        self.masks = torch.from_numpy(masks).to(device)
        self.first = torch.tensor(bank.first, device=device)

    def square(self, size: int, count: int) -> Tensor:
        """Corners, in patch pixels, of the part's square: (count, 4, 2)."""
        low = size / 2 - 0.5 - size / MARGIN / 2
        high = size / 2 - 0.5 + size / MARGIN / 2
        corners = torch.tensor([[low, low], [high, low], [high, high], [low, high]])
        return corners.to(self.device).expand(count, 4, 2)

    def patches(self, which: Tensor, size: int, jitter: Tensor, strength: float) -> Tensor:
        """Cut (N, 3, size, size) for (N, 3) machine, photo, slot; ``jitter`` (N, 3, 3) in patch."""
        m, k, p = which.unbind(1)
        h = data.homography(self.square(size, len(m)), self.quads[m, k, p])
        out = data.cut(self.bank.images, self.first[m] + k, h @ jitter, (size, size))
        return data.to_input(data.relight(out, strength, self.generator))

    def outline(self, which: Tensor, size: int) -> Tensor:
        """Return (N, 1, size/8, size/8) shares of each cell inside the outline."""
        m, _, p = which.unbind(1)
        h = data.homography(self.quads[m, torch.zeros_like(m), p], self.square(size, len(m)))
        polygon = data.transfer(h, self.masks[m, p])
        points = data.pixel_grid(size, size, 2, self.device).expand(len(m), -1, -1)
        inside = data.fill_polygons(points, polygon).float().reshape(-1, 1, size // 2, size // 2)
        return F.avg_pool2d(inside, 4)

    def jitter(self, count: int, size: int, amount: float) -> tuple[Tensor, Tensor]:
        """Draw placement errors; return (N, 3, 3) and the targets (N, 4) they call for."""
        g, d = self.generator, self.device

        def normal(*shape: int) -> Tensor:
            return torch.randn(shape, generator=g, device=d)

        wide = torch.where(torch.rand(count, generator=g, device=d) < 0.25, 2.5, 1.0) * amount
        shift = (normal(count, 2) * 0.035 * wide[:, None]).clamp(-0.16, 0.16) * size
        log_scale = normal(count) * 0.035 * wide
        turn = normal(count) * 0.04 * wide
        centre = torch.full((count, 2), size / 2 - 0.5, device=d)
        move = data.similarity(centre, shift, log_scale, turn)
        inverse = data.transfer(torch.linalg.inv(move), centre[:, None])[:, 0] - centre
        target = torch.cat([inverse / size, -log_scale[:, None], -turn[:, None]], 1)
        corners = self.square(size, count)
        bend = data.homography(corners, corners + normal(count, 4, 2) * 0.008 * amount * size)
        return bend @ move, target


def forward(
    net: PartNet, cutter: Cutter, q: Queries, size: int, train: bool
) -> tuple[Tensor, Tensor]:
    """Return outputs (B, 2, 8) for the two sets and placement targets (B, 4)."""
    device = cutter.device
    which = torch.from_numpy(np.stack([q.machine, q.photo, q.slot], 1)).to(device)
    shots = torch.from_numpy(q.shots).to(device)  # (B, 2, K, 3)
    there = shots[..., 0] >= 0
    flat = shots[there]
    move, target = cutter.jitter(len(which), size, 1.0)
    still, _ = cutter.jitter(len(flat), size, 0.4)
    strength = 1.0 if train else 0.0
    patch = cutter.patches(which, size, move, strength)
    refs = cutter.patches(flat, size, still, strength)
    mask = cutter.outline(which, size)
    with torch.autocast(device.split(":")[0], torch.bfloat16):
        maps = net.describer(torch.cat([patch, refs]))
        own, rest = maps[: len(which)], maps[len(which) :]
        grid = own.new_zeros((*there.shape, *own.shape[1:]))
        grid[there] = rest
        weight = there.float()
        weight[..., 0] = torch.maximum(weight[..., 0], (weight.sum(-1) == 0).float())
        outs = [net.comparer(own, grid[:, s], mask, weight[:, s]) for s in (0, 1)]
    return torch.stack(outs, 1).float(), target


def losses(out: Tensor, target: Tensor, q: Queries, device: str) -> dict[str, Tensor]:
    same = torch.from_numpy(q.same).to(device)
    known = ~torch.isnan(same)
    bce = F.binary_cross_entropy_with_logits(out[..., 0], same.nan_to_num(), reduction="none")
    visible = torch.from_numpy(q.visible).to(device)
    sight = F.binary_cross_entropy_with_logits(out[:, 0, 1], visible)
    place = torch.from_numpy(q.place).to(device)
    b1, b2 = out[:, 0, 6].clamp(-6, 2), out[:, 0, 7].clamp(-6, 2)
    shift = (out[:, 0, 2:4] - target[:, :2]).abs().sum(1)
    turn = (out[:, 0, 4:6] - target[:, 2:]).abs().sum(1)
    nll = shift * torch.exp(-b1) + 2 * b1 + turn * torch.exp(-b2) + 2 * b2
    return {
        "right": (bce[:, 0] * known[:, 0]).sum() / known[:, 0].sum(),
        "fault": (bce[:, 1] * known[:, 1]).sum() / known[:, 1].sum().clamp(min=1),
        "sight": sight,
        "place": (nll * place).sum() / place.sum().clamp(min=1),
    }


def auroc(score: NDArray[np.float64], truth: NDArray[np.bool_]) -> float:
    """Mann-Whitney estimate, ties ignored."""
    order = np.argsort(np.argsort(score)) + 1
    pos, neg = truth.sum(), (~truth).sum()
    return float((order[truth].sum() - pos * (pos + 1) / 2) / max(pos * neg, 1))


@torch.no_grad()
def validate(net: PartNet, bank: data.Bank, machines: list[int], device: str, size: int) -> str:
    net.eval()
    sampler, cutter = Sampler(bank, machines, 7), Cutter(bank, device, 7)
    got: list[tuple[NDArray[np.float64], ...]] = []
    for _ in range(40 if device != "cpu" else 2):
        q = sampler.batch(96 if device != "cpu" else 8)
        out, target = forward(net, cutter, q, size, train=False)
        o = out.double().cpu().numpy()
        off = np.abs(o[:, 0, 2:4] - target.cpu().numpy()[:, :2]).sum(1)
        count = (q.shots[:, 0, :, 0] >= 0).sum(1).astype(float)
        rows = (o[:, 0, 0], q.same[:, 0].astype(float), o[:, 1, 0], q.same[:, 1].astype(float))
        got.append((*rows, count, np.where(q.place, off, np.nan)))
    net.train()
    s0, y0, s1, y1, n, off = (np.concatenate(c) for c in zip(*got, strict=True))
    k0, k1 = ~np.isnan(y0), ~np.isnan(y1)
    lines = [f"place {np.nanmedian(off):.4f}"]
    for low, high in ((1, 1), (2, 4), (5, 8)):
        k = k0 & (n >= low) & (n <= high)
        wrong = ((s0 > 0) != (y0 > 0.5))[k].mean() if k.any() else np.nan
        lines.append(f"right {low}-{high} auroc {auroc(s0[k], y0[k] > 0.5):.4f} err {wrong:.4f}")
    lines.append(f"fault auroc {auroc(s1[k1], y1[k1] > 0.5):.4f}")
    both = k0 & k1
    diff = s0[both] - s1[both]
    lines.append(f"right-vs-fault auroc {auroc(diff, y0[both] > 0.5):.4f}")
    return "; ".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shards", type=Path, required=True)
    parser.add_argument("--weights", type=Path, required=True)
    parser.add_argument("--resume", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=480)
    parser.add_argument("--batch", type=int, default=72)
    parser.add_argument("--rate", type=float, default=1.5e-3)
    parser.add_argument("--workers", type=int, default=3)
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    started = time.monotonic()
    torch.manual_seed(args.seed)
    bank = data.load_bank(args.shards, None)
    held = [m for m in range(len(bank.episodes)) if m % 20 == 0]
    used = [m for m in range(len(bank.episodes)) if m % 20 != 0]

    def make(number: int) -> Iterator[tuple[int, Queries]]:
        sampler = Sampler(bank, used, args.seed * 100 + number)
        while True:
            for size in (128, 96, 128, 192):
                yield size, sampler.batch(args.batch // 2 if size == 192 else args.batch)

    batches = data.Prefetch(make, args.workers)
    bank.upload(args.device)
    say(f"{len(bank.episodes)} machines, {len(bank.images)} pictures, {clock(started)}")
    net = PartNet()
    net.describer.backbone.load_imagenet(str(args.weights))
    if args.resume:
        net.load_state_dict(torch.load(args.resume, map_location="cpu", weights_only=True))
    net.to(args.device).train()
    fit(net, bank, batches, held, args, started)


def fit(
    net: PartNet,
    bank: data.Bank,
    batches: data.Prefetch,
    held: list[int],
    args: argparse.Namespace,
    started: float,
) -> None:
    device = args.device
    cutter = Cutter(bank, device, args.seed)
    groups = [
        {"params": net.describer.backbone.parameters(), "top": args.rate * 0.4},
        {"params": net.describer.fuse.parameters(), "top": args.rate},
        {"params": net.comparer.parameters(), "top": args.rate},
    ]
    optim = torch.optim.AdamW(groups, weight_decay=0.02)
    smooth = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.997), use_buffers=True
    )
    sums: dict[str, float] = {}
    step, begun, told = 0, time.monotonic(), time.monotonic()
    while True:
        part = (time.monotonic() - started) / args.seconds
        if part >= 1:
            break
        warm = min(1.0, (step + 1) / 150)
        decay = 0.5 * (1 + np.cos(np.pi * min(1.0, part)))
        for g in optim.param_groups:
            g["lr"] = g["top"] * warm * (0.01 + 0.99 * decay)
        size, q = batches.get()
        out, target = forward(net, cutter, q, size, train=True)
        loss = losses(out, target, q, device)
        total = loss["right"] + 0.7 * loss["fault"] + 0.3 * loss["sight"] + 0.05 * loss["place"]
        optim.zero_grad(set_to_none=True)
        total.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optim.step()
        smooth.update_parameters(net)
        if step % 10 == 0:
            for k, v in loss.items():
                sums[k] = 0.9 * sums.get(k, float(v.detach())) + 0.1 * float(v.detach())
        step += 1
        if time.monotonic() - told > 30:
            told = time.monotonic()
            rate = step / (told - begun)
            say(f"step {step} {rate:.1f}/s " + " ".join(f"{k} {v:.3f}" for k, v in sums.items()))
    torch.save(smooth.module.state_dict(), args.out)
    say(f"saved after {step} steps, {clock(started)}")
    for size in (96, 128, 192):
        say(f"held out, {size}: " + validate(smooth.module, bank, held, device, size))


def say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def clock(started: float) -> str:
    return f"{time.monotonic() - started:.0f} s"


if __name__ == "__main__":
    main()
