"""The training loop both networks share: warm-up, cosine decay, averaged weights."""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn

WARM_STEPS = 200
AVERAGE = 0.997
TELL_SECONDS = 30.0
MOST_LOST = 20  # batches whose loss is no number


def say(text: str) -> None:
    """Write a line to standard error."""
    print(text, file=sys.stderr, flush=True)


def clock(started: float) -> str:
    """Return the seconds since ``started`` as text."""
    return f"{time.monotonic() - started:.0f} s"


def auroc(score: NDArray[np.float64], truth: NDArray[np.bool_]) -> float:
    """Mann-Whitney estimate, ties ignored."""
    order = np.argsort(np.argsort(score)) + 1
    pos, neg = truth.sum(), (~truth).sum()
    return float((order[truth].sum() - pos * (pos + 1) / 2) / max(pos * neg, 1))


def arguments(doc: str | None, batch: int, rate: float) -> argparse.ArgumentParser:
    """Return the options that both training commands take."""
    parser = argparse.ArgumentParser(description=doc)
    parser.add_argument("--shards", type=Path, help="folder of pictures of random machines")
    parser.add_argument("--weights", type=Path, help="EfficientNet-Lite0, without --resume")
    parser.add_argument("--resume", type=Path, help="weights to start from")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=480)
    parser.add_argument("--batch", type=int, default=batch)
    parser.add_argument("--rate", type=float, default=rate)
    parser.add_argument("--workers", type=int, default=6)
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--seed", type=int, default=1)
    return parser


def fit(
    net: nn.Module,
    slow: nn.Module,
    losses: Callable[[], dict[str, Tensor]],
    weights: dict[str, float],
    args: argparse.Namespace,
    started: float,
    share: float = 0.45,
) -> nn.Module:
    """Train until ``args.seconds`` after ``started``; save and return the averaged network.

    ``slow`` is the part of ``net`` that moves at ``share`` of the rate, since it was trained
    before. ``losses`` draws a batch and returns its losses; they are summed with ``weights``.
    The averaged weights are also saved on the way, every quarter of the time.
    """
    own = {id(p) for p in slow.parameters()}
    optim = torch.optim.AdamW(
        [
            {"params": list(slow.parameters()), "top": args.rate * share},
            {"params": [p for p in net.parameters() if id(p) not in own], "top": args.rate},
        ],
        weight_decay=0.02,
        fused=args.device != "cpu",
    )
    smooth = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(AVERAGE), use_buffers=True
    )
    sums: dict[str, float] = {}
    step, saved, lost, begun, told = 0, 0, 0, time.monotonic(), time.monotonic()
    while (part := (time.monotonic() - started) / args.seconds) < 1:
        decay = 0.5 * (1 + math.cos(math.pi * part)) * min(1.0, (step + 1) / WARM_STEPS)
        for group in optim.param_groups:
            group["lr"] = group["top"] * (0.01 + 0.99 * decay)
        loss = losses()
        total = torch.stack([weights[k] * v for k, v in loss.items()]).sum()
        if not torch.isfinite(total):
            lost += 1
            if lost > MOST_LOST:
                raise FloatingPointError(f"the loss is no number after {step} steps: {loss}")
            continue
        optim.zero_grad(set_to_none=True)
        total.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optim.step()
        smooth.update_parameters(net)
        step += 1
        if step % 20 == 0:
            for k, v in loss.items():
                sums[k] = 0.8 * sums.get(k, float(v.detach())) + 0.2 * float(v.detach())
        if time.monotonic() - told > TELL_SECONDS:
            told = time.monotonic()
            speed = step / (told - begun)
            say(f"step {step} {speed:.1f}/s " + " ".join(f"{k} {v:.3f}" for k, v in sums.items()))
        if int(part * 4) > saved:
            saved = int(part * 4)
            save(smooth.module, args.out)
    save(smooth.module, args.out)
    say(f"saved after {step} steps, {clock(started)}")
    return smooth.module


def save(net: Any, path: Path) -> None:
    """Write the weights; the file is never half written."""
    part = path.with_name(path.name + ".part")
    torch.save(net.state_dict(), part)
    part.rename(path)
