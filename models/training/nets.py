"""The networks: one that aligns a photo with a reference shot, one that compares parts.

Both start from the first eleven blocks of EfficientNet-Lite0 (Tan & Le 2019,
arXiv 1905.11946; the "lite" variant without squeeze-and-excitation), whose layer
names are kept so that ImageNet weights load. Pictures are RGB, (B, 3, H, W),
scaled to (value - 127) / 128; H and W are multiples of 16.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor, nn
from torch.nn import functional as F

# kernel, stride, expansion, channels in, channels out of blocks 0 to 10
BLOCKS = (
    (3, 1, 1, 32, 16),
    (3, 2, 6, 16, 24),
    (3, 1, 6, 24, 24),
    (5, 2, 6, 24, 40),
    (5, 1, 6, 40, 40),
    (3, 2, 6, 40, 80),
    (3, 1, 6, 80, 80),
    (3, 1, 6, 80, 80),
    (5, 1, 6, 80, 112),
    (5, 1, 6, 112, 112),
    (5, 1, 6, 112, 112),
)
BN = {"eps": 1e-3, "momentum": 0.02}


def _same(x: Tensor, kernel: int, stride: int) -> Tensor:
    """Pad as TensorFlow's 'same' does for even sizes."""
    total = kernel - stride
    return F.pad(x, (total // 2, total - total // 2) * 2)


class MBConv(nn.Module):
    """Inverted residual block with depthwise convolution, ReLU6."""

    def __init__(self, kernel: int, stride: int, expand: int, inp: int, out: int) -> None:
        super().__init__()
        mid = inp * expand
        self.kernel, self.stride, self.skip = kernel, stride, stride == 1 and inp == out
        self.expand = expand != 1
        if self.expand:
            self._expand_conv = nn.Conv2d(inp, mid, 1, bias=False)
            self._bn0 = nn.BatchNorm2d(mid, **BN)
        self._depthwise_conv = nn.Conv2d(mid, mid, kernel, stride, groups=mid, bias=False)
        self._bn1 = nn.BatchNorm2d(mid, **BN)
        self._project_conv = nn.Conv2d(mid, out, 1, bias=False)
        self._bn2 = nn.BatchNorm2d(out, **BN)

    def forward(self, x: Tensor) -> Tensor:
        y = F.relu6(self._bn0(self._expand_conv(x))) if self.expand else x
        y = F.relu6(self._bn1(self._depthwise_conv(_same(y, self.kernel, self.stride))))
        y = self._bn2(self._project_conv(y))
        return x + y if self.skip else y


class Backbone(nn.Module):
    """Lite0 up to block 10; returns maps at stride 4 (24), 8 (40) and 16 (112 channels)."""

    def __init__(self) -> None:
        super().__init__()
        self._conv_stem = nn.Conv2d(3, 32, 3, 2, bias=False)
        self._bn0 = nn.BatchNorm2d(32, **BN)
        self._blocks = nn.ModuleList(MBConv(*b) for b in BLOCKS)

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        x = F.relu6(self._bn0(self._conv_stem(_same(x, 3, 2))))
        maps = []
        for i, block in enumerate(self._blocks):
            x = block(x)
            if i in (2, 4, 10):
                maps.append(x)
        return maps[0], maps[1], maps[2]

    def load_imagenet(self, path: str) -> None:
        """Load the matching layers of an EfficientNet-Lite0 checkpoint."""
        weights = torch.load(path, map_location="cpu", weights_only=True)
        missing, _ = self.load_state_dict(weights, strict=False)
        if missing:
            raise ValueError(f"{path} lacks {missing[:3]}")


def conv_bn(inp: int, out: int, kernel: int = 1, groups: int = 1, stride: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inp, out, kernel, stride, kernel // 2, groups=groups, bias=False),
        nn.BatchNorm2d(out),
        nn.ReLU(inplace=True),
    )


class Separable(nn.Module):
    """Residual depthwise-separable block."""

    def __init__(self, width: int, kernel: int = 3) -> None:
        super().__init__()
        self.body = nn.Sequential(
            nn.Conv2d(width, width, kernel, 1, kernel // 2, groups=width, bias=False),
            nn.BatchNorm2d(width),
            nn.Conv2d(width, width, 1, bias=False),
            nn.BatchNorm2d(width),
        )

    def forward(self, x: Tensor) -> Tensor:
        return F.relu(x + self.body(x))


class Fuse(nn.Module):
    """Stride 4, 8 and 16 maps of the backbone to ``width`` maps at stride 8."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.fine = nn.Conv2d(24, width, 3, 2, 1)
        self.mid = nn.Conv2d(40, width, 1)
        self.deep = nn.Conv2d(112, width, 1)
        self.out = nn.Sequential(nn.ReLU(), Separable(width), nn.Conv2d(width, width, 1))

    def forward(self, s4: Tensor, s8: Tensor, s16: Tensor) -> Tensor:
        deep = F.interpolate(self.deep(s16), scale_factor=2.0, mode="bilinear", align_corners=False)
        out: Tensor = self.out(self.fine(s4) + self.mid(s8) + deep)
        return out


def local_correlation(a: Tensor, b: Tensor, radius: int) -> Tensor:
    """Return the (B, (2r+1)^2, H, W) mean product of ``a`` with ``b`` shifted by -r to r.

    A row of ``a`` is multiplied with whole rows of ``b``; of each (W, W + 2r) product the first
    2r + 1 diagonals count. On a processor that is several times as fast as a product per shift.
    """
    channels, height, width = a.shape[1:]
    n, wide = 2 * radius + 1, width + 2 * radius
    left = a.permute(0, 2, 3, 1)
    right = F.pad(b, (radius,) * 4).transpose(1, 2)
    rows = []
    for y in range(n):
        product = (left @ right[:, y : y + height]).reshape(-1, height, width * wide)
        # one more in each row of the product turns diagonals into columns
        rows.append(F.pad(product, (0, width)).reshape(-1, height, width, wide + 1)[..., :n])
    return torch.cat(rows, -1).permute(0, 3, 1, 2) / channels


def diagonals(offset: Tensor, n: int, width: int) -> Tensor:
    """Return (W, n * (W + n - 1)): what each of n x n shifts adds for each cell of a row.

    Columns are the n rows of W + n - 1 cells round it, one after the other; what is further off
    than half of n gets -1e4. ``offset`` is (n, 1, n).
    """
    wide = width + n - 1
    rows = F.pad(offset.expand(n, width, n), (0, wide + 1 - n), value=-1e4)
    flat = rows.reshape(n, width * (wide + 1))[:, : width * wide]  # columns become diagonals
    return flat.reshape(n, width, wide).permute(1, 0, 2).reshape(width, n * wide)


# --- Aligning ---------------------------------------------------------------------------


def positions(height: int, width: int, dim: int, device: torch.device) -> Tensor:
    """Return (H*W, dim) sine and cosine codes of the cell coordinates."""
    y, x = torch.meshgrid(
        torch.arange(height, device=device).float(),
        torch.arange(width, device=device).float(),
        indexing="ij",
    )
    freq = torch.exp(torch.arange(dim // 4, device=device).float() * (-math.log(200.0) * 4 / dim))
    parts = [f(c.reshape(-1, 1) * freq) for c in (x, y) for f in (torch.sin, torch.cos)]
    return torch.cat(parts, 1)


class Attention(nn.Module):
    """Multi-head attention with a gated feed-forward, pre-norm."""

    def __init__(self, dim: int, heads: int = 4) -> None:
        super().__init__()
        self.heads = heads
        self.norm_q, self.norm_s = nn.LayerNorm(dim), nn.LayerNorm(dim)
        self.q, self.kv, self.out = (
            nn.Linear(dim, dim),
            nn.Linear(dim, 2 * dim),
            nn.Linear(dim, dim),
        )
        self.ffn = nn.Sequential(
            nn.LayerNorm(dim), nn.Linear(dim, 2 * dim), nn.GELU(), nn.Linear(2 * dim, dim)
        )

    def forward(self, x: Tensor, source: Tensor) -> Tensor:
        b, n, d = x.shape
        split = (b, -1, self.heads, d // self.heads)
        q = self.q(self.norm_q(x)).reshape(split).transpose(1, 2)
        k, v = self.kv(self.norm_s(source)).chunk(2, -1)
        k, v = k.reshape(split).transpose(1, 2), v.reshape(split).transpose(1, 2)
        y = F.scaled_dot_product_attention(q, k, v)
        x = x + self.out(y.transpose(1, 2).reshape(b, n, d))
        out: Tensor = x + self.ffn(x)
        return out


class AlignEncoder(nn.Module):
    """Picture to ``tokens`` (B, H/16*W/16, 128) for finding and ``maps`` (B, 64, H/8, W/8)."""

    def __init__(self, dim: int = 128, width: int = 64) -> None:
        super().__init__()
        self.backbone = Backbone()
        self.token = nn.Sequential(
            nn.Conv2d(112, dim, 1), nn.ReLU(), Separable(dim, 5), nn.Conv2d(dim, dim, 1)
        )
        self.fuse = Fuse(width)
        self.dim = dim

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        s4, s8, s16 = self.backbone(x)
        t = self.token(s16)
        code = positions(t.shape[2], t.shape[3], self.dim, t.device)
        tokens = t.flatten(2).transpose(1, 2) + code
        return tokens, self.fuse(s4, s8, s16)


class Matcher(nn.Module):
    """Log-probability that reference token i is photo token j (dual softmax with matchability).

    After Sun et al. 2021 (arXiv 2104.00680) and Lindenberger et al. 2023 (arXiv 2306.13643).
    """

    def __init__(self, dim: int = 128, layers: int = 3) -> None:
        super().__init__()
        self.self_layers = nn.ModuleList(Attention(dim) for _ in range(layers))
        self.cross_layers = nn.ModuleList(Attention(dim) for _ in range(layers))
        self.project = nn.Linear(dim, dim)
        self.seen = nn.Linear(dim, 1)

    def forward(self, ref: Tensor, photo: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Take (B, N, D) and (B, M, D); return similarity (B, N, M) and seen logits."""
        for own, cross in zip(self.self_layers, self.cross_layers, strict=True):
            ref, photo = own(ref, ref), own(photo, photo)
            ref, photo = cross(ref, photo), cross(photo, ref)
        a, b = self.project(ref), self.project(photo)
        sim = a @ b.transpose(1, 2) / math.sqrt(a.shape[-1])
        return sim, self.seen(ref).squeeze(-1), self.seen(photo).squeeze(-1)


class Refiner(nn.Module):
    """From maps of a reference and of the photo warped onto it: what is still off.

    Output: flow (B, 6, H/8, W/8): body dx, dy, log-scale of the error; part dx, dy, log-scale;
    in pixels of the crop. ``fit`` (B,): logit that the photo shows the
    same body in the same pose.
    """

    RADIUS = 3

    def __init__(self, width: int = 64) -> None:
        super().__init__()
        inner = 96
        self.enter = conv_bn(2 * width + (2 * self.RADIUS + 1) ** 2, inner)
        self.local = nn.Sequential(Separable(inner, 5), Separable(inner, 5))
        self.down = conv_bn(inner, inner, 3, stride=2)
        self.wide = nn.Sequential(*(Separable(inner, 7) for _ in range(4)))
        self.join = nn.Sequential(Separable(inner, 5), Separable(inner, 5))
        self.flow = nn.Conv2d(inner, 6, 1)
        self.fit = nn.Sequential(nn.Linear(2 * inner, inner), nn.ReLU(), nn.Linear(inner, 1))

    def forward(self, ref: Tensor, photo: Tensor) -> tuple[Tensor, Tensor]:
        x = self.enter(torch.cat([ref, photo, local_correlation(ref, photo, self.RADIUS)], 1))
        x = self.local(x)
        deep = self.wide(self.down(x))
        up = F.interpolate(deep, scale_factor=2.0, mode="bilinear", align_corners=False)
        flow = self.flow(self.join(x + up))
        pooled = torch.cat([deep.mean((2, 3)), deep.amax((2, 3))], 1)
        return flow, self.fit(pooled).squeeze(-1)


class Aligner(nn.Module):
    """Encoder, matcher and refiner, trained together."""

    def __init__(self) -> None:
        super().__init__()
        self.encoder, self.matcher, self.refiner = AlignEncoder(), Matcher(), Refiner()


# --- Comparing --------------------------------------------------------------------------


class Describer(nn.Module):
    """Part patch (B, 3, S, S) to maps (B, 64, S/8, S/8)."""

    def __init__(self, width: int = 64) -> None:
        super().__init__()
        self.backbone = Backbone()
        self.fuse = Fuse(width)

    def forward(self, x: Tensor) -> Tensor:
        out: Tensor = self.fuse(*self.backbone(x))
        return out


class Comparer(nn.Module):
    """Is the part in the patch in the same state as in these shots of it?

    Input: maps of the patch (B, 64, h, w); of up to K shots (B, K, 64, h, w); outline mask
    (B, 1, h, w), 0 to 1; ``weight`` (B, K), 1 where there is a shot.
    Output (B, 8): logit 'same state'; logit 'in sight'; dx, dy (fractions of the patch side),
    log of the size ratio, turn (radians) that take the shots' place to the patch's place,
    log-scale of the error of the shift and of the turn.

    Two ways lead to the answer: each shot is compared cell by cell, then all together; and each
    cell is compared with what looks most like it near its place in any of the shots, so that a
    part that lies a little beside its place differs only where its state does.
    """

    RADIUS = 2  # cells round its place in which a cell is looked for

    def __init__(self, width: int = 64, inner: int = 64) -> None:
        super().__init__()
        self.enter = conv_bn(3 * width + 9 + 1, inner)
        self.pair = nn.Sequential(Separable(inner), Separable(inner))
        self.sharp = nn.Parameter(torch.tensor(12.0))  # how strictly the likest is taken
        self.offset = nn.Parameter(torch.zeros(2 * self.RADIUS + 1, 1, 2 * self.RADIUS + 1))
        self.look = nn.Conv2d(width, inner // 2, 1, bias=False)
        self.near = nn.Sequential(conv_bn(width + 3 * (inner // 2) + 2, inner), Separable(inner))
        self.pool = conv_bn(2 * inner + 1, inner)
        self.join = nn.Conv2d(inner, inner, 1, bias=False)
        self.set = nn.Sequential(Separable(inner), Separable(inner, 5))
        self.cells = nn.Conv2d(inner, 1, 1)
        self.head = nn.Sequential(
            nn.Linear(3 * inner + 2, 2 * inner), nn.ReLU(), nn.Dropout(0.1), nn.Linear(2 * inner, 8)
        )
        nn.init.zeros_(self.join.weight)

    def forward(self, patch: Tensor, shots: Tensor, mask: Tensor, weight: Tensor) -> Tensor:
        return self.answer(patch, shots, mask, weight)[0]

    def answer(
        self, patch: Tensor, shots: Tensor, mask: Tensor, weight: Tensor
    ) -> tuple[Tensor, Tensor]:
        """Return the output, and (B, 1, h, w) logits that a cell shows another state."""
        b, k, c, h, w = shots.shape
        q = patch[:, None].expand(b, k, c, h, w).reshape(b * k, c, h, w)
        r = shots.reshape(b * k, c, h, w)
        m = mask[:, None].expand(b, k, 1, h, w).reshape(b * k, 1, h, w)
        x = torch.cat([q * r, (q - r).abs(), q, local_correlation(q, r, 1), m], 1)
        x = self.pair(self.enter(x)).reshape(b, k, -1, h, w)
        there = weight[:, :, None, None, None]
        mean = (x * there).sum(1) / there.sum(1)
        peak = (x - 1e4 * (1 - there)).amax(1)
        near = self.near(self._likest(patch, shots, mask, weight))
        x = self.pool(torch.cat([mean, peak, mask], 1)) + self.join(near)
        x = self.set(x)
        cells = self.cells(x)
        inside = (x * mask).sum((2, 3)) / (mask.sum((2, 3)) + 1e-3)
        most = torch.cat([cells.amax((2, 3)), torch.sigmoid(cells).mean((2, 3))], 1)
        pooled = [inside, x.mean((2, 3)), (x * (mask > 0.2)).amax((2, 3)), most]
        out: Tensor = self.head(torch.cat(pooled, 1))
        return out, cells

    def _likest(self, patch: Tensor, shots: Tensor, mask: Tensor, weight: Tensor) -> Tensor:
        """Return each cell beside what is likest it in the shots, (B, 64 + 3 * 32 + 2, h, w)."""
        b, k, c, h, w = shots.shape
        reach, n = self.RADIUS, 2 * self.RADIUS + 1
        own = F.normalize(self.look(patch), dim=1)
        looks = F.normalize(self.look(shots.reshape(b * k, c, h, w)), dim=1)
        looks = looks.reshape(b, k, -1, h, w).permute(0, 3, 1, 4, 2)
        padded = F.pad(looks, (0, 0, reach, reach, 0, 0, reach, reach))
        rows = torch.stack([padded[:, y : y + h] for y in range(n)], 3)
        columns = rows.reshape(b, h, -1, own.shape[1])  # by shot, row and place in the row
        absent = 1e4 * (weight - 1)[:, None, None, :, None]
        bias = (diagonals(self.offset, n, w)[None, None, :, None] + absent).reshape(b, 1, w, -1)
        told = (own * self.sharp).permute(0, 2, 3, 1) @ columns.transpose(2, 3) + bias
        found = (torch.softmax(told, -1) @ columns).permute(0, 3, 1, 2)
        best = (told.amax(-1) / self.sharp)[:, None]
        beside = [own * found, (own - found).abs(), found, best, mask]
        return torch.cat([F.normalize(patch, dim=1), *beside], 1)


class PartNet(nn.Module):
    """Describer and comparer, trained together."""

    def __init__(self) -> None:
        super().__init__()
        self.describer, self.comparer = Describer(), Comparer()
