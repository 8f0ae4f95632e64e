"""Groups of part patches for the comparer: queries, right shots and fault shots together.

Every patch of a group is described once and compared with many others, so that the
describer, which is the costly half, is used well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from models.training import data
from models.training.shards import Episode
from verify.vision import window

# How much wider than high patches are: a batch has one shape, and each group the nearest.
ASPECTS = (0.28, 0.43, 1.0, 2.3, 3.5)
RARE = 0.6  # power of how common an aspect is: rare ones are drawn more often than they come
QUERIES, RIGHT, KINDS, PER_KIND = 8, 6, 2, 2  # patches of a group, and shots of two wrong states
SHOTS = RIGHT + KINDS * PER_KIND
# The sets of shots that a query is compared with: right ones, then those of each wrong state.
SPANS = (
    slice(0, RIGHT),
    *(slice(RIGHT + i * PER_KIND, RIGHT + (i + 1) * PER_KIND) for i in range(KINDS)),
)
STILL = 0.4  # how far shots are misplaced, beside queries
CLEAR, PARTLY, HIDDEN = 0.75, 0.45, 0.4  # share in sight
CELL_CHANGED = 0.12  # share of a cell that a state changes, of one that counts as changed

I64 = NDArray[np.int64]
F32 = NDArray[np.float32]


@dataclass
class Groups:
    """One batch of G groups, by indices (machine, photo, slot)."""

    shape: tuple[int, int]  # width and height of its patches
    queries: I64  # (G, Q, 3)
    shots: I64  # (G, SHOTS, 3): RIGHT right ones, then PER_KIND of each wrong state
    weight: F32  # (G, Q, SHOTS) 1 where the shot may be used for the query
    same: F32  # (G, Q, 1 + KINDS) target for each set of shots, NaN where it does not count
    visible: F32  # (G, Q)
    place: NDArray[np.bool_]  # (G, Q) the query's place counts


@dataclass
class Pictures:
    """What the networks are shown of a batch; G groups of Q queries.

    Attributes:
        queries: (G * Q, 3, height, width), as the networks take them.
        shots: (G * SHOTS, 3, height, width).
        mask: (G, 1, height / 8, width / 8) share of each cell inside the outline.
        target: (G * Q, 4) placement that each query calls for.
        groups: what is to be told.
        changed: (G * Q, 1, height / 8, width / 8) share of each cell that the state of the query
            changes beside the right one; NaN where nobody knows.
    """

    queries: Tensor
    shots: Tensor
    mask: Tensor
    target: Tensor
    groups: Groups
    changed: Tensor


class Sampler:
    """Draw groups from episodes."""

    def __init__(self, bank: data.Bank, machines: list[int], seed: int) -> None:
        self.bank, self.machines = bank, machines
        self.rng = np.random.default_rng(seed)
        self.slots: dict[int, list[I64]] = {}
        self.kinds: list[list[tuple[int, I64]]] = [[] for _ in ASPECTS]
        for m in machines:
            e = bank.episodes[m]
            self.slots[m] = [np.flatnonzero(e.alike == g) for g in np.unique(e.alike)]
            wide, high = np.moveaxis(np.ptp(boxes(e), axis=1), 1, 0)
            for slots in self.slots[m]:
                aspect = wide[slots].max() / high[slots].max()
                nearest = int(np.abs(np.log(aspect / np.array(ASPECTS))).argmin())
                self.kinds[nearest].append((m, slots))
        share = np.array([len(k) for k in self.kinds]) ** RARE
        self.share = share / share.sum()

    def kind(self) -> int:
        """Draw an index into ASPECTS."""
        return int(self.rng.choice(len(ASPECTS), p=self.share))

    def batch(self, size: int, side: int, kind: int) -> Groups:
        """Return ``size`` groups for patches of ``side`` squared pixels, all of one shape."""
        rows = []
        while len(rows) < size:
            row = self._group(self.kinds[kind])
            if row is not None:
                rows.append(row)
        shape = window.shape_with(side, ASPECTS[kind])
        return Groups(shape, *(np.stack(column) for column in zip(*rows, strict=True)))

    def _pick(self, ok: NDArray[np.bool_], count: int, first: float = 1.0) -> list[tuple[int, int]]:
        """Choose up to ``count`` of the true (photo, column); ``first`` favours the master."""
        photos, columns = np.nonzero(ok)
        if len(photos) == 0:
            return []
        weight = np.where(photos == 0, first, 1.0)
        count = min(count, len(photos))
        at = self.rng.choice(len(photos), count, replace=False, p=weight / weight.sum())
        return [(int(photos[i]), int(columns[i])) for i in at]

    def _group(self, kind: list[tuple[int, I64]]) -> tuple[np.ndarray, ...] | None:
        rng = self.rng
        m, slots = kind[rng.integers(len(kind))]
        e = self.bank.episodes[m]
        if len(slots) > 1 and rng.random() < 0.4:
            slots = slots[rng.integers(len(slots), size=1)]
        state, seen = e.state[:, slots], e.visible[:, slots]
        free = np.ones_like(state, bool)
        right = self._pick((state == 0) & (seen > 0.8), int(rng.integers(2, RIGHT + 1)), 8.0)
        if not right:
            return None
        kinds = np.unique(state[(state > 0) & (seen > 0.8)])
        rng.shuffle(kinds)
        faults = []
        for t in kinds[:KINDS]:
            ok = (state == t) & (seen > 0.8)
            most = PER_KIND if ok.sum() > PER_KIND + 1 else 1
            faults.append(self._pick(ok, int(rng.integers(1, most + 1))))
        for photo, column in [*right, *(x for f in faults for x in f)]:
            free[photo, column] = False
        asked = self._queries(state, seen, free)
        if not asked:
            return None
        chosen = [(m, k, int(slots[c])) for k, c in asked]
        return self._labelled(e, m, slots, chosen, right, faults, [int(t) for t in kinds[:KINDS]])

    def _queries(
        self, state: NDArray[np.int16], seen: F32, free: NDArray[np.bool_]
    ) -> list[tuple[int, int]]:
        """Choose the group's queries: half right, the rest wrong, now and then a hidden one."""
        good = self._pick(free & (state == 0) & (seen > PARTLY), QUERIES)
        bad = self._pick(free & (state > 0) & (seen > PARTLY), QUERIES)
        covered = self._pick(free & (seen < HIDDEN), 1) if self.rng.random() < 0.35 else []
        while 0 < len(bad) < QUERIES // 2 - 1:  # the same ones again, with another jitter
            bad.append(bad[int(self.rng.integers(len(bad)))])
        out = (covered + bad[: QUERIES // 2] + good)[:QUERIES]
        while 0 < len(out) < QUERIES:
            out.append(out[int(self.rng.integers(len(out)))])
        return out

    def _labelled(
        self,
        e: Episode,
        m: int,
        slots: I64,
        chosen: list[tuple[int, int, int]],
        right: list[tuple[int, int]],
        faults: list[list[tuple[int, int]]],
        kinds: list[int],
    ) -> tuple[np.ndarray, ...] | None:
        """Return the arrays of one group; see :class:`Groups`."""
        rng = self.rng
        shots = np.full((SHOTS, 3), -1, np.int64)
        for at, (k, c) in enumerate(right):
            shots[at] = m, k, slots[c]
        for i, fault in enumerate(faults):
            for j, (k, c) in enumerate(fault):
                shots[RIGHT + i * PER_KIND + j] = m, k, slots[c]
        there = shots[:, 0] >= 0
        queries = np.array(chosen, np.int64)
        weight = np.zeros((QUERIES, SHOTS), np.float32)
        same = np.full((QUERIES, 1 + KINDS), np.nan, np.float32)
        visible = np.zeros(QUERIES, np.float32)
        place = np.zeros(QUERIES, bool)
        for i, (_, k, p) in enumerate(chosen):
            state, seen = int(e.state[k, p]), float(e.visible[k, p])
            foreign = rng.random() < 0.06 and self._foreign(m, slots, queries, i)
            # A shot of the query's own photo would give its light away.
            usable = there & (shots[:, 1] != k) if not foreign else there
            weight[i] = usable
            weight[i, :RIGHT] = self._subset(usable[:RIGHT])
            if foreign:
                state, seen = -1, 1.0
            for s, want in enumerate([0, *kinds]):
                span = SPANS[s]
                doubtful = state == want and HIDDEN < seen <= CLEAR
                if weight[i, span].any() and not doubtful:
                    same[i, s] = float(state == want and seen > CLEAR)
            visible[i] = seen
            place[i] = state == 0 and seen > CLEAR and weight[i, :RIGHT].any()
        if not np.isfinite(same[:, 0]).any():
            return None
        return queries, shots, weight, same, visible, place

    def _subset(self, usable: NDArray[np.bool_]) -> F32:
        """Keep one to all of the usable right shots, often just one."""
        at = np.flatnonzero(usable)
        out = np.zeros(len(usable), np.float32)
        if len(at):
            count = min(int(self.rng.choice([1, 1, 1, 2, 3, 4, 6])), len(at))
            out[self.rng.choice(at, count, replace=False)] = 1
        return out

    def _foreign(self, m: int, slots: I64, queries: I64, i: int) -> bool:
        """Replace query ``i`` by a part of another kind, of this or another machine."""
        other = m if self.rng.random() < 0.5 else int(self.rng.choice(self.machines))
        group = self.slots[other][self.rng.integers(len(self.slots[other]))]
        e = self.bank.episodes[other]
        if other == m and np.intersect1d(group, slots).size:
            return False
        got = self._pick((e.state[:, group] == 0) & (e.visible[:, group] > 0.8), 1)
        if not got:
            return False
        queries[i] = other, got[0][0], group[got[0][1]]
        return True


@dataclass
class Guise:
    """How the patches of a group are changed alike, so that each group is a new part.

    Attributes:
        move: (G, 3, 3) from patch to patch as it was cut.
        colours: (G, 3, 4), see :func:`models.training.data.disguise`.
    """

    move: Tensor
    colours: Tensor

    def repeated(self, times: int) -> Guise:
        """Return the guise of each group ``times`` times in a row."""
        return Guise(
            self.move.repeat_interleave(times, 0), self.colours.repeat_interleave(times, 0)
        )


def boxes(e: Episode) -> F32:
    """Return (P, 2, 2) low and high corners of what is cut of each part, in its square's sides."""
    quad = e.part_quad[0].astype(float)  # a square, since it faces the master's camera
    at = (e.part_mask - quad[:, None, 0]) / (quad[:, None, 2] - quad[:, None, 0])
    return np.stack(window.grown(at.min(1), at.max(1)), 1).astype(np.float32)


class Cutter:
    """Turn indices into patches on the device. Shapes are (width, height)."""

    def __init__(self, bank: data.Bank, device: str, seed: int) -> None:
        self.bank, self.device = bank, device
        self.generator = torch.Generator(device).manual_seed(seed)
        most = max(e.part_quad.shape[1] for e in bank.episodes)
        shots = max(e.part_quad.shape[0] for e in bank.episodes)
        quads = np.zeros((len(bank.episodes), shots, most, 4, 2), np.float32)
        masks = np.zeros((len(bank.episodes), most, 16, 2), np.float32)
        cuts = np.zeros((len(bank.episodes), most, 2, 2), np.float32)
        for i, e in enumerate(bank.episodes):
            quads[i, : e.part_quad.shape[0], : e.part_quad.shape[1]] = e.part_quad
            masks[i, : len(e.part_mask)] = e.part_mask
            cuts[i, : len(e.part_mask)] = boxes(e)
        self.quads = torch.from_numpy(quads).to(device)
        self.masks = torch.from_numpy(masks).to(device)
        self.cuts = torch.from_numpy(cuts).to(device)
        self.first = torch.tensor(bank.first, device=device)

    def square(self, m: Tensor, p: Tensor, shape: tuple[int, int]) -> Tensor:
        """Return the corners of each part's square in its patch: (N, 4, 2)."""
        low, high = self.cuts[m, p].unbind(1)
        size = torch.tensor(shape, device=self.device, dtype=torch.float32)
        scale = (size / (high - low)).amin(1)[:, None, None]
        corners = torch.tensor([[0.0, 0], [1, 0], [1, 1], [0, 1]], device=self.device)
        return (corners - ((low + high) / 2)[:, None]) * scale + (size - 1) / 2

    def guise(self, count: int, shape: tuple[int, int]) -> Guise:
        """Draw a guise for each of ``count`` groups: turned, mirrored, stretched, recoloured.

        What is long is turned by halves, not by quarters, so that it stays in its patch.
        """
        g, d = self.generator, self.device

        def uniform(*shape: int) -> Tensor:
            return torch.rand(shape, generator=g, device=d)

        width, height = shape
        quarter = torch.randint(4, (count,), generator=g, device=d) * (torch.pi / 2)
        if width != height:
            quarter = 2 * quarter
        slim = min(width, height) / max(width, height)
        small = torch.randn(count, generator=g, device=d) * 0.12 * slim
        angle = torch.where(uniform(count) < 0.4, 0.0, quarter) + small
        mirror = torch.where(uniform(count) < 0.5, -1.0, 1.0)
        stretch = torch.exp((uniform(count) - 0.5) * 0.5)
        zoom = torch.exp((uniform(count) - 0.6) * 0.3)
        c, s = torch.cos(angle) * zoom, torch.sin(angle) * zoom
        top = torch.stack([c * mirror * stretch, -s / stretch], -1)
        linear = torch.stack([top, torch.stack([s * mirror * stretch, c / stretch], -1)], 1)
        centre = self._middle(count, shape)
        move = torch.zeros(count, 3, 3, device=d)
        move[:, :2, :2] = linear
        move[:, :2, 2] = centre - (linear @ centre[..., None]).squeeze(-1)
        move[:, 2, 2] = 1
        return Guise(move, data.disguise(count, g, d))

    def _middle(self, count: int, shape: tuple[int, int]) -> Tensor:
        """Return the middle of a patch, (count, 2)."""
        middle = (torch.tensor(shape, device=self.device, dtype=torch.float32) - 1) / 2
        return middle.expand(count, 2)

    def patches(
        self,
        which: Tensor,
        shape: tuple[int, int],
        jitter: Tensor,
        strength: float,
        guise: Guise | None = None,
    ) -> Tensor:
        """Cut (N, 3, height, width) for (N, 3) machine, photo, slot; ``jitter`` (N, 3, 3).

        ``guise`` has one entry for each patch.
        """
        m, k, p = which.unbind(1)
        h = data.homography(self.square(m, p, shape), self.quads[m, k, p])
        if guise is not None:
            h = h @ guise.move
        out = data.cut(self.bank.images, self.first[m] + k, h @ jitter, shape)
        if guise is not None:
            out = data.disguised(out, guise.colours)
        return data.to_input(data.relight(out, strength, self.generator))

    def outline(self, which: Tensor, shape: tuple[int, int], guise: Guise | None = None) -> Tensor:
        """Return (N, 1, height/8, width/8) shares of each cell inside the outline."""
        m, _, p = which.unbind(1)
        h = data.homography(self.quads[m, torch.zeros_like(m), p], self.square(m, p, shape))
        if guise is not None:
            h = torch.linalg.inv(guise.move) @ h
        polygon = data.transfer(h, self.masks[m, p])
        width, height = shape
        points = data.pixel_grid(width, height, 2, self.device).expand(len(m), -1, -1)
        inside = data.fill_polygons(points, polygon).float()
        return F.avg_pool2d(inside.reshape(-1, 1, height // 2, width // 2), 4)

    def present(self, q: Groups, train: bool) -> Pictures:
        """Cut the patches of a batch; for training in guises and under light of their own."""
        shape = q.shape
        groups, per = q.queries.shape[:2]
        which = torch.from_numpy(q.queries).to(self.device).reshape(-1, 3)
        shots = torch.from_numpy(np.maximum(q.shots, 0)).to(self.device).reshape(-1, 3)
        one = torch.ones(len(which), device=self.device)
        few = torch.full((len(shots),), STILL, device=self.device)
        move, target = placement_errors(self.generator, shape, one)
        still, _ = placement_errors(self.generator, shape, few)
        strength = 1.0 if train else 0.0
        guise = self.guise(groups, shape) if train else None
        own, many = (guise and guise.repeated(n) for n in (per, SHOTS))
        outline = self.outline(shots.reshape(groups, -1, 3)[:, 0], shape, guise)
        return Pictures(
            self.patches(which, shape, move, strength, own),
            self.patches(shots, shape, still, strength, many),
            outline,
            target,
            q,
            torch.full_like(outline, torch.nan).repeat_interleave(per, 0),
        )


def placement_errors(
    generator: torch.Generator, shape: tuple[int, int], amount: Tensor
) -> tuple[Tensor, Tensor]:
    """Draw placement errors; return (N, 3, 3) and the targets (N, 4) they call for.

    Args:
        generator: on the device that is wanted.
        shape: width and height of a patch.
        amount: (N,) how large they are; 1 as queries are placed.

    Shifts are shares of the root of a patch's pixels.
    """
    count, d = len(amount), amount.device
    size = torch.tensor(shape, device=d, dtype=torch.float32)
    side = float(np.sqrt(shape[0] * shape[1]))

    def normal(*size: int) -> Tensor:
        return torch.randn(size, generator=generator, device=d)

    wide = torch.where(torch.rand(count, generator=generator, device=d) < 0.25, 2.5, 1.0) * amount
    shift = (normal(count, 2) * 0.035 * wide[:, None]).clamp(-0.16, 0.16) * side
    log_scale = normal(count) * 0.035 * wide
    turn = normal(count) * 0.04 * wide
    centre = ((size - 1) / 2).expand(count, 2)
    move = data.similarity(centre, shift, log_scale, turn)
    inverse = data.transfer(torch.linalg.inv(move), centre[:, None])[:, 0] - centre
    target = torch.cat([inverse / side, -log_scale[:, None], -turn[:, None]], 1)
    ends = torch.tensor([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]], device=d)
    corners = centre[:, None] + ends * size
    bend = normal(count, 4, 2) * (0.008 * side * amount)[:, None, None]
    return data.homography(corners, corners + bend) @ move, target
