"""Where the comparer's batches come from: machines, photos, the forge and the shelf."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from models.training import data, pasted
from models.training.forge import groups as forge_groups
from models.training.forge.groups import Drawn
from models.training.forge.render import Forge
from models.training.groups import Cutter, Groups, Pictures, Sampler
from models.training.pasted import Pasted, Paster
from models.training.shelf import Shelf

SIDES = (128, 96, 192)  # roots of a patch's pixels
USUAL = 128  # the root that ``--batch`` groups are for; there are fewer of larger patches


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options that say where batches come from."""
    parser.add_argument(
        "--forged",
        type=float,
        default=0.8,
        help="share of batches that the forge makes (%(default)s)",
    )
    parser.add_argument("--textures", type=Path, help="folder of ordinary photos to cut from")
    parser.add_argument(
        "--pasted",
        type=float,
        default=0.1,
        help="share of batches that are cut from ordinary photos (%(default)s)",
    )
    parser.add_argument(
        "--times",
        type=float,
        default=4.0,
        help="how often each batch of the forge is shown, changed (%(default)s)",
    )
    parser.add_argument(
        "--shelf",
        type=int,
        default=1200,
        help="batches of the forge that are kept, 25 MB each (%(default)s)",
    )


def _groups(usual: int, side: int) -> int:
    """Return how many groups of patches of ``side`` squared pixels take the usual memory."""
    return max(6, min(2 * usual, round(usual * (USUAL / side) ** 2)))


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


def _cut_and_pasted(rng: np.random.Generator, bank: data.Bank, usual: int, side: int) -> Pasted:
    """Draw groups of pieces of photos; long patches in one size, as the forge's."""
    kind = int(rng.choice(len(forge_groups.SHARE), p=forge_groups.SHARE))
    side = side if kind == forge_groups.SQUARE else USUAL
    return pasted.batch(rng, bank.textures, bank.size, _groups(usual, side), side, kind)


class Studio:
    """Shows the networks pictures: cut out of those of shards or of photos, made by the forge.

    Attributes:
        forged: share of batches that the forge makes.
        pasted: share of batches that are cut from ordinary photos.
        bank: pictures of shards; None without.
        held: its machines that are kept out of training.
    """

    def __init__(self, args: argparse.Namespace) -> None:
        """Read what there is and start drawing; the GPU is not used yet."""
        self.args, self.device = args, args.device
        self.bank = None if args.shards is None else data.load_bank(args.shards, args.textures)
        self.forged = 1.0 if self.bank is None else args.forged
        self.pasted = 0.0 if self.bank is None or not self.bank.textures else args.pasted
        # Of the batches that are new; those of the forge come ``times`` times each.
        fresh = self.forged / args.times
        self.new = fresh / (1 - self.forged + fresh)
        count = 0 if self.bank is None else len(self.bank.episodes)
        self.held = [m for m in range(count) if m % 20 == 0]
        self.used = [m for m in range(count) if m % 20 != 0]
        self.rng = np.random.default_rng(args.seed)
        self.batches = data.Prefetch(self._draw, args.workers)

    def _draw(self, number: int) -> Iterator[Groups | Drawn | Pasted]:
        seed = self.args.seed * 100 + number
        rng = np.random.default_rng(seed)
        sampler = None if self.bank is None else Sampler(self.bank, self.used, seed)
        while True:
            for side in SIDES:
                chance = rng.random()
                if sampler is None or chance < self.new:
                    yield _forged(rng, self.args.batch, side)
                elif self.bank is not None and rng.random() < self.pasted / (1 - self.forged):
                    yield _cut_and_pasted(rng, self.bank, self.args.batch, side)
                else:
                    yield _cut_out(sampler, self.args.batch, side)

    def open(self) -> None:
        """Make ready what needs the GPU."""
        if self.bank is not None:
            self.bank.upload(self.device)
            self.cutter = Cutter(self.bank, self.device, self.args.seed)
            self.paster = Paster(self.bank.images, self.device, self.args.seed)
        if self.forged > 0:
            self.forge = Forge(self.device, self.args.seed)
            self.shelf = Shelf(self.args.shelf, self.device, self.args.seed)

    def show(self) -> Pictures:
        """Return the next batch: a new one, or one of the forge's once more."""
        again = self.forged * (1 - 1 / self.args.times)
        if self.forged > 0 and self.shelf.ready and self.rng.random() < again:
            return self.shelf.take()
        return self._new()

    def _new(self) -> Pictures:
        drawn = self.batches.get()
        if isinstance(drawn, Groups):
            return self.cutter.present(drawn, train=True)
        if isinstance(drawn, Pasted):
            return self.paster.present(drawn, train=True)
        shown = self.forge.present(drawn, train=True)
        if self.args.times > 1:
            self.shelf.keep(shown)
        return shown

    def trials(self, side: int) -> Iterator[tuple[str, Callable[[], Pictures], int]]:
        """Yield what to judge networks by: its name, what shows a batch, how many batches."""
        usual, rounds = (self.args.batch, 50) if self.device != "cpu" else (2, 1)
        rng = np.random.default_rng(7)
        few = (rounds + 3) // 4
        if self.bank is not None:
            sampler, cutter = Sampler(self.bank, self.held, 7), Cutter(self.bank, self.device, 7)
            yield "held out", lambda: cutter.present(_cut_out(sampler, usual, side), False), rounds
        if self.forged > 0:
            forge = Forge(self.device, 7)
            yield "forged", lambda: forge.present(_forged(rng, usual, side), False), few
        if self.bank is not None and self.pasted > 0:
            bank, paster = self.bank, Paster(self.bank.images, self.device, 7)
            name = "pasted (photos that were trained on)"
            yield name, lambda: paster.present(_cut_and_pasted(rng, bank, usual, side), False), few
