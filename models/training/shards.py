"""Training shards: many machines, each with its photos and labels, in one ``.npz`` file.

A shard is an uncompressed NumPy archive. ``count`` is the number of machines; the arrays of
machine ``i`` have names that begin with ``{i}/``:

========== ================= =======================================================
jpeg       (total,) uint8    all photos' JPEG bytes, one after the other
jpeg_size  (K,) int64        bytes of each photo; photo 0 is the master, all parts right
body_quad  (K, 4, 2) float32 corners of the body plane's rectangle, clockwise in the master
part_quad  (K, P, 4, 2)      corners of each part's square: it faces the master's camera at
                             the part's nominal place; the same corners in space in all photos
state      (K, P) int16      0 is right; others index ``how`` and ``names``
visible    (K, P) float32    share of the part's place in the picture and not covered
part_mask  (P, 16, 2)        outline (convex hull) of the right part in the master
alike      (P,) int16        parts with equal numbers look alike when right
tilt_deg   (K,) float32      angle between the photo's viewing direction and the master's
text       () str            JSON: seed, family (P), free_turn (P), how (P, states),
                             names (P, states), told (P, states): this fault can be seen in
                             the master's view; only those are drawn
========== ================= =======================================================

Pixels count from the centre of the top-left pixel, x right, y down.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
_ARRAYS = ("body_quad", "part_quad", "state", "visible", "part_mask", "alike", "tilt_deg")


@dataclass(frozen=True)
class Episode:
    """One machine with its photos; see the module for the arrays."""

    jpegs: tuple[bytes, ...]
    body_quad: F32
    part_quad: F32
    state: NDArray[np.int16]
    visible: F32
    part_mask: F32
    alike: NDArray[np.int16]
    tilt_deg: F32
    seed: int
    family: tuple[str, ...]
    free_turn: tuple[bool, ...]
    how: tuple[tuple[str, ...], ...]
    names: tuple[tuple[str, ...], ...]
    told: tuple[tuple[bool, ...], ...]


def _rows(table: list[list[Any]]) -> tuple[tuple[Any, ...], ...]:
    return tuple(tuple(row) for row in table)


def write_shard(path: Path, episodes: list[Episode]) -> None:
    """Write ``episodes`` to ``path``; the file appears only when it is complete."""
    arrays: dict[str, NDArray[np.generic]] = {"count": np.array(len(episodes))}
    for i, e in enumerate(episodes):
        arrays[f"{i}/jpeg"] = np.frombuffer(b"".join(e.jpegs), np.uint8)
        arrays[f"{i}/jpeg_size"] = np.array([len(j) for j in e.jpegs], np.int64)
        for name in _ARRAYS:
            arrays[f"{i}/{name}"] = getattr(e, name)
        text = {k: getattr(e, k) for k in ("seed", "family", "free_turn", "how", "names", "told")}
        arrays[f"{i}/text"] = np.array(json.dumps(text))
    part = path.with_name(path.name + ".part")
    with part.open("wb") as stream:
        np.savez(stream, allow_pickle=False, **arrays)
    part.rename(path)


def read_shard(path: Path | str) -> Iterator[Episode]:
    """Yield the machines of a shard, photos still as JPEG bytes.

    Raises:
        ValueError: the file is no shard.
    """
    with np.load(path, allow_pickle=False) as arrays:
        if "count" not in arrays:
            raise ValueError(f"{path} is no shard of training machines: it has no 'count'")
        for i in range(int(arrays["count"])):
            data = arrays[f"{i}/jpeg"].tobytes()
            ends = np.cumsum(arrays[f"{i}/jpeg_size"]).tolist()
            starts = [0, *ends[:-1]]
            text = json.loads(str(arrays[f"{i}/text"]))
            yield Episode(
                jpegs=tuple(data[a:b] for a, b in zip(starts, ends, strict=True)),
                **{name: arrays[f"{i}/{name}"] for name in _ARRAYS},
                seed=int(text["seed"]),
                family=tuple(text["family"]),
                free_turn=tuple(text["free_turn"]),
                how=_rows(text["how"]),
                names=_rows(text["names"]),
                told=_rows(text["told"]),
            )
