"""Groups of patches cut from ordinary photos, with wrong states that are pasted in.

Renderings alone let the describer forget what surfaces look like in real photos. Here a part is
any piece of a photo; in a wrong state it is another piece, turned, mirrored, moved, or changed in
one spot. Which cells a state changes is known, as it is of the forge's parts.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

from models.training import data
from models.training.forge.groups import CORNERS, PATCHES, STATES, labels
from models.training.groups import (
    ASPECTS,
    CELL_CHANGED,
    KINDS,
    PER_KIND,
    QUERIES,
    RIGHT,
    SHOTS,
    STILL,
    Groups,
    Pictures,
    placement_errors,
)
from verify.vision import window

Rng = np.random.Generator
GROWN = 1.485  # size of a patch over that of the outline's box, see ``verify.vision.window``
SIDES = (70.0, 280.0)  # root of a patch's pixels in the photo
OTHERWISE = 10.0  # difference of brightness, 0 to 255, that can be seen
CELLS = 2  # changed cells, at least, of a state that can be told


@dataclass
class Pasted:
    """One batch of G groups, by indices of photos and homographies from the patch.

    Attributes:
        groups: labels; ``queries`` and ``shots`` hold nothing to look up.
        state: (G, PATCHES) which state each patch shows, -1 where there is none.
        photo: (G,) what is seen.
        place: (G, 3, 3) where.
        outline: (G, CORNERS, 2) of the part in its patch.
        other: (G, STATES) photo that a state takes its change from.
        source: (G, STATES, 3, 3) and from where.
        spot: (G, STATES, CORNERS, 2) what of the patch is changed; without area for the right one.
    """

    groups: Groups
    state: np.ndarray
    photo: np.ndarray
    place: np.ndarray
    outline: np.ndarray
    other: np.ndarray
    source: np.ndarray
    spot: np.ndarray


def batch(
    rng: Rng, photos: list[int], size: tuple[int, int], count: int, side: int, kind: int
) -> Pasted:
    """Draw ``count`` groups for patches of ``side`` squared pixels, all of one shape.

    Args:
        rng: what is random comes from here.
        photos: indices of the photos that may be used.
        size: width and height of every photo.
        count: number of groups.
        side: root of a patch's pixels.
        kind: index into ASPECTS.
    """
    shape = window.shape_with(side, ASPECTS[kind])
    rows = [_group(rng, photos, size, shape) for _ in range(count)]
    weight, same, place, state, *geometry = (np.stack(c) for c in zip(*rows, strict=True))
    groups = Groups(
        shape, np.full((count, QUERIES, 3), -1, np.int64), np.full((count, SHOTS, 3), -1, np.int64),
        weight, same, np.ones((count, QUERIES), np.float32), place,
    )  # fmt: skip
    return Pasted(groups, state, *geometry)


def _group(
    rng: Rng, photos: list[int], size: tuple[int, int], shape: tuple[int, int]
) -> tuple[np.ndarray, ...]:
    weight, same, _, state, _ = labels(rng, int(rng.choice([0, 1, 2], p=[0.15, 0.35, 0.5])))
    photo = int(rng.choice(photos))
    place = _place(rng, size, shape)
    half = np.array(shape) / 2 / GROWN * rng.uniform(0.7, 1.0, 2)
    half[int(rng.integers(2))] = min(shape) / 2 / GROWN if shape[0] == shape[1] else half.min()
    if shape[0] != shape[1]:
        half = np.array(shape) / 2 / 1.3
    middle = (np.array(shape) - 1) / 2
    outline = _blob(rng, middle, half)
    other, source, spot = [photo], [place], [np.zeros((CORNERS, 2))]
    for _ in range(STATES - 1):
        what = _wrong(rng, photo, place, middle, half, outline)
        if what is None:
            what = int(rng.choice(photos)), _place(rng, size, shape), outline
        for held, one in zip((other, source, spot), what, strict=True):
            held.append(one)  # type: ignore[attr-defined]
    return (
        weight, same, state[:QUERIES] == 0, state, np.array(photo), place, outline,
        np.array(other), np.stack(source), np.stack(spot),
    )  # fmt: skip


def _place(rng: Rng, size: tuple[int, int], shape: tuple[int, int]) -> np.ndarray:
    """Return a homography from a patch to a piece of a photo that holds it."""
    root = float(np.sqrt(shape[0] * shape[1]))
    most = min(SIDES[1], 0.9 * min(size) * root / max(shape))
    scale = np.exp(rng.uniform(np.log(SIDES[0]), np.log(most))) / root
    reach = min(float(np.hypot(*shape)) / 2 * scale, 0.49 * min(size))
    middle = np.array([rng.uniform(reach, s - reach) for s in size])
    return _turned(rng.uniform(0, 2 * np.pi), scale, (np.array(shape) - 1) / 2, middle)


def _turned(angle: float, scale: float, source: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Return the similarity that takes ``source`` to ``target``."""
    c, s = np.cos(angle) * scale, np.sin(angle) * scale
    linear = np.array([[c, -s], [s, c]])
    x, y = target - linear @ source
    return np.array([[c, -s, x], [s, c, y], [0, 0, 1.0]])


def _blob(rng: Rng, middle: np.ndarray, half: np.ndarray) -> np.ndarray:
    """Return (CORNERS, 2) of a box, an ellipse or something between."""
    angle = np.linspace(0, 2 * np.pi, CORNERS, endpoint=False) + np.pi / 4
    power = rng.uniform(0.25, 1.0)  # 1 is an ellipse
    c, s = np.cos(angle), np.sin(angle)
    return middle + half * np.stack([np.sign(c) * abs(c) ** power, np.sign(s) * abs(s) ** power], 1)


def _wrong(
    rng: Rng,
    photo: int,
    place: np.ndarray,
    middle: np.ndarray,
    half: np.ndarray,
    outline: np.ndarray,
) -> tuple[int, np.ndarray, np.ndarray] | None:
    """Return photo, homography and polygon of a change; None for a piece of another photo."""
    kind = rng.choice(
        ["other", "turned", "mirrored", "moved", "spot"], p=[0.2, 0.2, 0.15, 0.2, 0.25]
    )
    if kind == "other":
        return None
    if kind == "turned":
        angle = float(rng.choice([np.pi / 2, np.pi, -np.pi / 2, rng.uniform(0.3, 2.8)]))
        return photo, place @ _turned(angle, 1.0, middle, middle), outline
    if kind == "mirrored":
        flip = np.diag([-1.0, 1, 1]) if rng.random() < 0.5 else np.diag([1, -1.0, 1])
        flip[:2, 2] = 2 * middle * (np.diag(flip)[:2] < 0)
        return photo, place @ flip, outline
    angle, far = rng.uniform(0, 2 * np.pi), half.min() * rng.uniform(0.25, 0.9)
    shift = np.array([np.cos(angle), np.sin(angle)]) * far
    moved = place @ _turned(
        rng.normal(0, 0.2), float(np.exp(rng.normal(0, 0.15))), middle, middle + shift
    )
    if kind == "moved":
        return photo, moved, outline
    size = half * rng.uniform(0.15, 0.5, 2)
    at = middle + rng.uniform(-1, 1, 2) * (half - size)
    return photo, moved, _blob(rng, at, np.maximum(size, 5.0))


class Paster:
    """Turns drawn batches into patches on the device."""

    def __init__(self, images: Tensor, device: str, seed: int) -> None:
        self.images, self.device = images, device
        self.generator = torch.Generator(device).manual_seed(seed)

    def present(self, drawn: Pasted, train: bool) -> Pictures:
        """Cut the patches of a batch. ``train``: with changes of light and colour."""
        shape, count = drawn.groups.shape, len(drawn.state)
        amount = torch.full((count, PATCHES), STILL, device=self.device)
        amount[:, :QUERIES] = 1.0
        errors, target = placement_errors(self.generator, shape, amount.flatten())
        x, changed = self._cut(drawn, errors, shape)
        if train:
            colours = data.disguise(count, self.generator, self.device)
            x = data.disguised(x, colours.repeat_interleave(PATCHES, 0))
        x = data.to_input(data.relight(x, 1.0 if train else 0.0, self.generator))
        x = x.reshape(count, PATCHES, 3, shape[1], shape[0])
        changed = changed.reshape(count, PATCHES, 1, *changed.shape[2:])
        outline = torch.from_numpy(drawn.outline.astype(np.float32)).to(self.device)
        points = data.pixel_grid(*shape, 2, self.device).expand(count, -1, -1)
        inside = data.fill_polygons(points, outline).float()
        return Pictures(
            x[:, :QUERIES].flatten(0, 1), x[:, QUERIES:].flatten(0, 1),
            F.avg_pool2d(inside.reshape(-1, 1, shape[1] // 2, shape[0] // 2), 4),
            target.reshape(count, PATCHES, 4)[:, :QUERIES].flatten(0, 1),
            _labelled(drawn, changed), changed[:, :QUERIES].flatten(0, 1),
        )  # fmt: skip

    def _cut(self, drawn: Pasted, errors: Tensor, shape: tuple[int, int]) -> tuple[Tensor, Tensor]:
        """Return (N, 3, H, W) patches, 0 to 255, and (N, 1, H/8, W/8) changed shares of cells."""
        count = len(drawn.state)
        each = np.arange(count)[:, None]
        state = drawn.state.clip(0)

        def there(array: np.ndarray) -> Tensor:
            flat = np.ascontiguousarray(array.reshape(count * PATCHES, *array.shape[2:]))
            return torch.from_numpy(flat).to(self.device)

        def repeated(array: np.ndarray) -> Tensor:
            return there(np.repeat(array[:, None], PATCHES, 1))

        own = data.cut(
            self.images, repeated(drawn.photo), repeated(drawn.place).float() @ errors, shape
        )
        new = data.cut(
            self.images, there(drawn.other[each, state]),
            there(drawn.source[each, state]).float() @ errors, shape,
        )  # fmt: skip
        points = data.pixel_grid(*shape, 2, self.device).expand(count * PATCHES, -1, -1)
        spot = there(drawn.spot[each, state]).float()
        inside = data.fill_polygons(data.transfer(errors, points), spot).float()
        inside = inside.reshape(-1, 1, shape[1] // 2, shape[0] // 2)
        mask = F.interpolate(inside, scale_factor=2.0, mode="bilinear", align_corners=False)
        out = own * (1 - mask) + new * mask
        other = ((out - own).abs().mean(1, keepdim=True) > OTHERWISE).float()
        return out, F.avg_pool2d(other, 8)


def _labelled(drawn: Pasted, changed: Tensor) -> Groups:
    """Return the labels without what nobody could see: (G, PATCHES, 1, h, w) ``changed``."""
    groups = drawn.groups
    cells = (changed > CELL_CHANGED).flatten(2).sum(2).cpu().numpy()
    told = (cells >= CELLS) | (drawn.state <= 0)
    same = np.where(told[:, :QUERIES, None], groups.same, np.nan).astype(np.float32)
    weight = groups.weight * told[:, None, QUERIES:]
    for k in range(1, 1 + KINDS):
        span = slice(RIGHT + (k - 1) * PER_KIND, RIGHT + k * PER_KIND)
        same[..., k][~weight[..., span].any(2)] = np.nan
    return replace(groups, same=same, weight=weight.astype(np.float32))
