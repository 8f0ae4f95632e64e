"""Draw random training machines until the time is up, on all processes at once.

``python -m models.training.assemblies --out DIR --seconds 420 --jobs 7 --seed 1``

Each process writes its own shards (see :mod:`models.training.shards`); process ``j`` draws
the machines with seeds ``seed * 1_000_000 + j + jobs * n``. Seeds split training from
validation. A machine that fails is reported with its seed and left out.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import time
import traceback
from dataclasses import dataclass
from pathlib import Path

import numpy as np

PER_SHARD = 40


@dataclass(frozen=True)
class Order:
    """What one process is asked to do."""

    out: Path
    deadline: float
    seed: int
    job: int
    jobs: int
    size: tuple[int, int]
    spp: int
    photos: int
    variant: str | None
    most: int


def say(text: str) -> None:
    """Write a line to standard error."""
    sys.stderr.write(text + "\n")
    sys.stderr.flush()


def take_gpu(job: int) -> None:
    """Keep this process on one of the GPUs, where there are several, dealt out in turn."""
    named = os.environ.get("CUDA_VISIBLE_DEVICES")
    # The driver counts from 0 whatever the device files are called.
    count = len(list(Path("/dev").glob("nvidia[0-9]*")))
    devices = named.split(",") if named else [str(k) for k in range(count)]
    if len(devices) > 1:
        os.environ["CUDA_VISIBLE_DEVICES"] = devices[job % len(devices)]


def work(order: Order) -> int:
    """Draw machines until the deadline; return how many pictures were written."""
    take_gpu(order.job)  # before torch and the renderer look for GPUs
    import torch

    from models.training.episodes import Studio, make_episode
    from models.training.shards import Episode, write_shard

    rng = np.random.default_rng(order.seed * 7919 + order.job)
    torch.set_num_threads(1)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    studio = Studio.open(order.size, order.spp, order.variant, rng, device)
    done, failed, slowest, shard, began = 0, 0, 0.0, 0, time.monotonic()
    batch: list[Episode] = []
    number = 0
    while time.monotonic() + slowest < order.deadline and done < order.most:
        seed = order.seed * 1_000_000 + order.job + order.jobs * number
        number += 1
        start = time.monotonic()
        try:
            batch.append(make_episode(studio, seed, order.photos))
            done += 1
        except Exception:
            failed += 1
            say(f"machine {seed} failed and is left out:\n{traceback.format_exc(limit=-4)}")
        if done > 2:  # the first ones compile the renderer's kernels
            slowest = max(slowest, time.monotonic() - start)
        if len(batch) >= PER_SHARD:
            write_shard(order.out / f"{order.seed}-{order.job:02d}-{shard:03d}.npz", batch)
            batch, shard = [], shard + 1
        if done % 10 == 0 and done:
            rate = done * order.photos / (time.monotonic() - began)
            say(f"job {order.job}: {done} machines, {rate:.1f} pictures a second, {failed} failed")
    if batch:
        write_shard(order.out / f"{order.seed}-{order.job:02d}-{shard:03d}.npz", batch)
    say(f"job {order.job}: ended with {done} machines, {failed} failed")
    return done * order.photos


def main() -> None:
    """Read the command line and start the processes."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("--out", type=Path, required=True, help="folder for the shards")
    parser.add_argument("--seconds", type=float, default=420.0, help="stop after this long")
    parser.add_argument("--jobs", type=int, default=7, help="processes")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", type=int, nargs=2, default=(640, 480), metavar=("W", "H"))
    parser.add_argument("--spp", type=int, default=24, help="samples per pixel")
    parser.add_argument("--photos", type=int, default=14, help="photos of a machine")
    parser.add_argument("--machines", type=int, default=10**9, help="at most, for each process")
    parser.add_argument("--variant", default=None, help="renderer variant; default: the fastest")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    begin = time.monotonic()
    deadline = begin + args.seconds
    orders = [
        Order(
            args.out,
            deadline,
            args.seed,
            j,
            args.jobs,
            tuple(args.size),
            args.spp,
            args.photos,
            args.variant,
            args.machines,
        )
        for j in range(args.jobs)
    ]
    if args.jobs == 1:
        total = work(orders[0])
    else:
        with multiprocessing.get_context("spawn").Pool(args.jobs) as pool:
            total = sum(pool.map(work, orders, chunksize=1))
    spent = time.monotonic() - begin
    say(f"{total} pictures in {spent:.0f} s, {total / max(spent, 1e-9):.1f} a second")


if __name__ == "__main__":
    main()
