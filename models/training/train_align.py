"""Train the aligner: where in this photo is the body that the reference shot shows?

``python -m models.training.train_align --shards DIR --weights lite0.pth --out align.pt``
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

from models.training import data
from models.training.loop import arguments, auroc, clock, fit, say
from models.training.nets import Aligner
from models.training.pairs import CROP, PairCutter, Pairs
from models.training.restore import settle

CELL, FINE = 16, 8
SETTLE_ROUNDS = 40
WEIGHTS = {"nll": 1.0, "match": 0.5, "off": 0.03, "body": 0.3, "part": 1.2, "fit": 0.5}


def match_loss(sim: Tensor, seen: tuple[Tensor, Tensor], p: Pairs) -> tuple[Tensor, Tensor, Tensor]:
    """Dual-softmax likelihood of true cells, matchability, and sub-cell distance (pixels)."""
    b, device = len(sim), sim.device
    height, width = p.photo.shape[2] // CELL, p.photo.shape[3] // CELL
    cells = data.pixel_grid(*CROP, CELL, device).expand(b, -1, -1)
    where = data.transfer(p.truth, cells)
    body = data.fill_polygons(cells, p.body)
    col, row = (where[..., 0] + 0.5) / CELL, (where[..., 1] + 0.5) / CELL
    inside = body & (col >= 0) & (col < width) & (row >= 0) & (row < height) & p.there[:, None]
    j = row.floor().clamp(0, height - 1).long() * width + col.floor().clamp(0, width - 1).long()
    sim = sim.float()
    log = F.log_softmax(sim, 2) + F.log_softmax(sim, 1)
    picked = log.gather(2, j[..., None]).squeeze(-1)
    nll = -(picked * inside).sum() / inside.sum().clamp(min=1)
    target = torch.zeros_like(seen[1])
    flat = j + torch.arange(b, device=device)[:, None] * target.shape[1]
    target.view(-1)[flat[inside]] = 1.0
    match = F.binary_cross_entropy_with_logits(seen[0].float(), inside.float())
    match = match + F.binary_cross_entropy_with_logits(seen[1].float(), target.float())
    expected = window_mean(sim, j, height, width)
    off = (expected - where).norm(dim=-1)
    off = (off * inside).sum() / inside.sum().clamp(min=1)
    return nll, match, off


def window_mean(sim: Tensor, j: Tensor, height: int, width: int) -> Tensor:
    """Expected position (pixels) under the softmax over the 5 x 5 cells around cell ``j``."""
    device = sim.device
    row, col = j // width, j % width
    d = torch.arange(-2, 3, device=device)
    r = row[..., None, None] + d[:, None]
    c = col[..., None, None] + d[None, :]
    ok = (r >= 0) & (r < height) & (c >= 0) & (c < width)
    at = (r.clamp(0, height - 1) * width + c.clamp(0, width - 1)).flatten(2)
    score = sim.gather(2, at).masked_fill(~ok.flatten(2), -1e4)
    weight = score.softmax(-1)
    x = (weight * ((c + 0.5) * CELL - 0.5).expand_as(ok).flatten(2)).sum(-1)
    y = (weight * ((r + 0.5) * CELL - 0.5).expand_as(ok).flatten(2)).sum(-1)
    return torch.stack([x, y], -1)


def perturbed(p: Pairs, g: torch.Generator) -> tuple[Tensor, Tensor]:
    """Draw starting homographies (crop to photo) for the refiner, and which are no fit."""
    b, device = len(p.crop), p.crop.device

    def uniform(*shape: int) -> Tensor:
        return torch.rand(shape, generator=g, device=device)

    corners = p.body
    size = (corners.amax(1) - corners.amin(1)).mean(1)[:, None, None]
    level = torch.tensor([0.006, 0.02, 0.045], device=device)[(uniform(b) * 3).long().clamp(max=2)][
        :, None, None
    ]
    noise = torch.randn((b, 4, 2), generator=g, device=device) * 0.6
    common = torch.randn((b, 1, 2), generator=g, device=device) * 0.8
    start = corners + (noise + common) * level * size
    bad = uniform(b) < 0.3
    kind = uniform(b)
    turned = torch.where((kind < 0.5)[:, None, None], corners.roll(2, 1), corners)
    far = torch.randn((b, 1, 2), generator=g, device=device)
    far = far / far.norm(dim=-1, keepdim=True) * (0.12 + 0.4 * uniform(b, 1, 1)) * size
    far = torch.where((kind >= 0.5)[:, None, None], far, torch.zeros_like(far))
    squeeze = torch.where(kind > 0.8, torch.exp(0.35 * torch.sign(uniform(b) - 0.5)), 1.0)
    middle = corners.mean(1, keepdim=True)
    wrong = (turned - middle) * squeeze[:, None, None] + middle + far + noise * 0.01 * size
    start = torch.where(bad[:, None, None], wrong, start)
    moved = data.transfer(p.truth, start)
    return data.homography(corners, moved), bad | ~p.there


def refine_loss(
    flow: Tensor, fit: Tensor, start: Tensor, bad: Tensor, p: Pairs
) -> tuple[Tensor, Tensor, Tensor]:
    b, device = len(flow), flow.device
    cells = data.pixel_grid(*CROP, FINE, device).expand(b, -1, -1)
    back = torch.linalg.inv(start)
    photo_size = torch.tensor([p.photo.shape[3], p.photo.shape[2]], device=device)
    there = data.transfer(p.truth, cells)
    inside = data.fill_polygons(cells, p.body)
    inside &= ((there >= 0) & (there < photo_size)).all(-1) & ~bad[:, None]
    out = flow.float().flatten(2).transpose(1, 2)  # (B, N, 6)
    body = data.transfer(back, there) - cells
    loss_body = laplace(out[..., :2], body, out[..., 2], inside)
    target, mask = part_targets(cells, back, bad, p)
    most = p.parts.shape[1]
    flows = out[:, None, :, 3:6].expand(-1, most, -1, -1).flatten(0, 1)
    loss_part = laplace(flows[..., :2], target, flows[..., 2], mask)
    loss_part = loss_part * (mask.sum() / (inside.sum() + 1))
    fit_loss = F.binary_cross_entropy_with_logits(fit.float(), (~bad).float())
    return loss_body, 3 * loss_part, fit_loss


def part_targets(cells: Tensor, back: Tensor, bad: Tensor, p: Pairs) -> tuple[Tensor, Tensor]:
    """Return what is off at each cell (B * P, N, 2) along each part's plane, and where it counts.

    Args:
        cells: (B, N, 2) in the crop.
        back: (B, 3, 3) from the photo to the crop that was warped.
        bad: (B,) the photo was warped to where nothing fits.
        p: the batch, P parts each.
    """
    most = p.parts.shape[1]
    every = cells[:, None].expand(-1, most, -1, -1).flatten(0, 1)
    mask = data.fill_polygons(every, p.outlines.flatten(0, 1))
    target = data.transfer((back[:, None] @ p.parts).flatten(0, 1), every) - every
    return target, mask & ~bad.repeat_interleave(most)[:, None] & (target.abs() < 60).all(-1)


def part_errors(flow: Tensor, target: Tensor, mask: Tensor) -> Tensor:
    """Return how far off (pixels) each part is that covers a cell: mean flow against mean target.

    Args:
        flow: (B, N, 3) dx, dy and log error of each cell.
        target: (B * P, N, 2), and ``mask`` (B * P, N), from :func:`part_targets`.
    """
    most = len(mask) // len(flow)
    flow = flow[:, None].expand(-1, most, -1, -1).flatten(0, 1)
    weight = torch.exp(-flow[..., 2]) * mask
    total = weight.sum(1, keepdim=True)
    off = (flow[..., :2] - torch.where(mask[..., None], target, 0.0)) * weight[..., None]
    error = (off.sum(1) / total.clamp(min=1e-9)).norm(dim=-1)
    return error[total[:, 0] > 0]


def laplace(flow: Tensor, target: Tensor, log_b: Tensor, mask: Tensor) -> Tensor:
    log_b = log_b.clamp(-3, 4)
    target = torch.where(mask[..., None], target, 0.0)  # beyond the horizon it is not finite
    nll = (flow - target).abs().sum(-1) * torch.exp(-log_b) + 2 * log_b
    return (nll * mask).sum() / mask.sum().clamp(min=1)


def step_losses(net: Aligner, p: Pairs, g: torch.Generator) -> dict[str, Tensor]:
    device = p.crop.device.type
    start, bad = perturbed(p, g)
    with torch.no_grad():
        warped = warp(p.photo, start)
    with torch.autocast(device, torch.bfloat16):
        tokens_photo, _ = net.encoder(_last(p.photo))
        tokens, maps = net.encoder(_last(torch.cat([p.crop, warped])))
        b = len(p.crop)
        sim, seen_ref, seen_photo = net.matcher(tokens[:b], tokens_photo)
        flow, fit = net.refiner(maps[:b], maps[b:])
    nll, match, off = match_loss(sim, (seen_ref, seen_photo), p)
    body, part, fit_loss = refine_loss(flow, fit, start, bad, p)
    return {"nll": nll, "match": match, "off": off, "body": body, "part": part, "fit": fit_loss}


def _last(x: Tensor) -> Tensor:
    """Channels last: three times as fast for these networks on a GPU."""
    return x.contiguous(memory_format=torch.channels_last)


def warp(photo: Tensor, start: Tensor) -> Tensor:
    """Cut crops from network-sized photos; twice as fine as needed, then averaged."""
    grid = data.pixel_grid(CROP[0] * 2, CROP[1] * 2, 1, photo.device)
    grid = (grid + 0.5) / 2 - 0.5
    where = data.transfer(start, grid.expand(len(start), -1, -1))
    scale = torch.tensor([photo.shape[3], photo.shape[2]], device=photo.device)
    where = ((2 * where + 1) / scale - 1).clamp(-3, 3).reshape(-1, CROP[1] * 2, CROP[0] * 2, 2)
    out = F.grid_sample(photo, where, padding_mode="border", align_corners=False)
    return F.avg_pool2d(out, 2)


@torch.no_grad()
def validate(net: Aligner, bank: data.Bank, held: list[int], device: str) -> str:
    net.eval()
    cutter = PairCutter(bank, held, device, 5)
    coarse, fine, body0, score, truth, part = [], [], [], [], [], []
    for i in range(30 if device != "cpu" else 2):
        portrait = i % 3 == 2
        rows = cutter.rows(32 if device != "cpu" else 4, portrait, False)
        p = cutter.batch(rows, portrait, False)
        with torch.autocast(device.split(":")[0], torch.bfloat16):
            tp, _ = net.encoder(p.photo)
            tr, maps = net.encoder(p.crop)
            sim, seen, _ = net.matcher(tr, tp)
        h, w = p.photo.shape[2] // CELL, p.photo.shape[3] // CELL
        cells = data.pixel_grid(*CROP, CELL, device).expand(len(tr), -1, -1)
        where = data.transfer(p.truth, cells)
        best = (F.log_softmax(sim.float(), 2) + F.log_softmax(sim.float(), 1)).argmax(2)
        got = window_mean(sim.float(), best, h, w)
        off = (got - where).norm(dim=-1)
        ok = data.fill_polygons(cells, p.body) & (seen > 0)
        coarse.append(torch.where(ok, off, torch.nan).nanmedian(1).values)
        start, bad = perturbed(p, cutter.generator)
        with torch.autocast(device.split(":")[0], torch.bfloat16):
            _, warped = net.encoder(warp(p.photo, start))
            flow, fit = net.refiner(maps, warped)
        fcells = data.pixel_grid(*CROP, FINE, device).expand(len(tr), -1, -1)
        back = torch.linalg.inv(start)
        target = data.transfer(back @ p.truth, fcells) - fcells
        inside = data.fill_polygons(fcells, p.body) & ~bad[:, None]
        out = flow.float().flatten(2).transpose(1, 2)
        err = (out[..., :2] - target).norm(dim=-1)
        part.append(part_errors(out[..., 3:], *part_targets(fcells, back, bad, p)))
        fine.append(torch.where(inside, err, torch.nan).nanmedian(1).values)
        body0.append(torch.where(inside, target.norm(dim=-1), torch.nan).nanmedian(1).values)
        score.append(fit.float())
        truth.append(~bad)
    net.train()
    c, f, z, o = (torch.cat(v).cpu().numpy() for v in (coarse, fine, body0, part))
    s, t = torch.cat(score).cpu().numpy(), torch.cat(truth).cpu().numpy()
    q = [50, 90, 97]
    return (
        f"coarse median px {np.nanpercentile(c, q).round(2)} (nan {np.isnan(c).mean():.3f}); "
        f"fine from {np.nanpercentile(z, q).round(2)} to {np.nanpercentile(f, q).round(2)}; "
        f"parts {np.nanpercentile(o, q).round(2)}; "
        f"fit auroc {auroc(s, t):.4f} err {((s > 0) != t).mean():.4f}"
    )


def main() -> None:
    """Read the command line and train."""
    parser = arguments(__doc__, batch=64, rate=1.0e-3)
    parser.add_argument("--textures", type=Path, help="folder of photos to paste and warp")
    args = parser.parse_args()
    started = time.monotonic()
    torch.manual_seed(args.seed)
    bank = data.load_bank(args.shards, args.textures)
    held = [m for m in range(len(bank.episodes)) if m % 20 == 0]
    used = [m for m in range(len(bank.episodes)) if m % 20 != 0]

    def make(number: int) -> Iterator[tuple[bool, list[dict[str, np.ndarray]]]]:
        cutter = PairCutter(bank, used, "cpu", args.seed * 100 + number)
        while True:
            for portrait in (False, True, False):
                yield portrait, cutter.rows(args.batch, portrait)

    batches = data.Prefetch(make, args.workers)
    bank.upload(args.device)
    say(f"{len(bank.episodes)} machines, {len(bank.images)} pictures, {clock(started)}")
    net = Aligner()
    if args.resume:
        net.load_state_dict(torch.load(args.resume, map_location="cpu", weights_only=True))
    elif args.weights:
        net.encoder.backbone.load_imagenet(str(args.weights))
    else:
        parser.error("name --weights or --resume")
    net.to(args.device, memory_format=torch.channels_last).train()
    cutter = PairCutter(bank, [], args.device, args.seed)

    def draw() -> dict[str, Tensor]:
        portrait, rows = batches.get()
        return step_losses(net, cutter.batch(rows, portrait), cutter.generator)

    if args.resume:
        settle(net, draw, SETTLE_ROUNDS)
        say("begins with: " + validate(net, bank, held, args.device))
    smooth = fit(net, net.encoder.backbone, draw, WEIGHTS, args, started)
    say("held out: " + validate(smooth, bank, held, args.device))


if __name__ == "__main__":
    main()
