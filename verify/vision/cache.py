"""Keep what was taught on disk: one file for each content of a machine folder.

A file's name is made of the content of the folder, the networks and the code that prepares,
so that it is never stale; the oldest files go when there are many. Deleting all is safe.
The form is NumPy's ``.npz`` without pickled objects: reading one runs nobody's code.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from dataclasses import asdict
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .. import __version__
from ..domain import Machine
from .finding import Anchor
from .learnt import Expert
from .quality import Whole
from .taught import Example, TaughtMachine, TaughtView, lay_out

KEPT = 24  # files
Arrays = dict[str, NDArray[Any]]


def path_for(folder: Path, digest: str, model: str) -> Path:
    """Return where the teaching of a folder's content is kept."""
    key = f"{__version__}\n{_code_stamp()}\n{digest}\n{model}"
    return folder / f"taught-{hashlib.sha256(key.encode()).hexdigest()[:40]}.npz"


@lru_cache(maxsize=1)
def _code_stamp() -> str:
    """Changed code must not meet an old cache: any module here may decide what is kept."""
    digest = hashlib.sha256()
    for file in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(file.read_bytes())
    return digest.hexdigest()


def load(path: Path, machine: Machine, digest: str) -> TaughtMachine | None:
    """Return what is kept, or None; anything odd about a file counts as not there."""
    try:
        with np.load(path, allow_pickle=False) as arrays:
            heads = json.loads(bytes(arrays["meta"]).decode())
            views = tuple(_view(machine, i, head, arrays) for i, head in enumerate(heads["views"]))
    except Exception:  # a damaged file may raise anything; it is made again
        return None
    if len(views) != len(machine.views):
        return None
    with contextlib.suppress(OSError):
        os.utime(path)
    return TaughtMachine(views, digest)


def _view(machine: Machine, i: int, head: dict[str, Any], arrays: Any) -> TaughtView:
    stacks = {size: arrays[f"{i}-{size}"] for size in head["sizes"]}
    examples = [Example(**row, maps=stacks[str(size)][at]) for row, size, at in head["examples"]]
    made: dict[tuple[str, str], tuple[Example, ...]] = {}
    for example in examples[head["own"] :]:
        key = (example.part, example.state)
        made[key] = (*made.get(key, ()), example)
    tokens, maps = arrays[f"{i}-tokens"], arrays[f"{i}-maps"]
    layout = lay_out(machine.views[i])
    masks = {frame.part.id: frame.mask for frame in layout.frames}
    return TaughtView(
        layout,
        tuple(Anchor(*row) for row in zip(tokens, maps, head["fits"], strict=True)),
        tuple(examples[: head["own"]]),
        made,
        tuple(head["left_out"]),
        head["heights"],
        {part: arrays[f"{i}-look-{k}"] for k, part in enumerate(head["looks"])},
        head["hardest"],
        tuple(Whole(**row) for row in head["whole"]),
        {
            part: Expert(
                tuple(states), arrays[f"{i}-weights-{k}"], arrays[f"{i}-constant-{k}"], masks[part]
            )
            for k, (part, states) in enumerate(head["judges"])
        },
    )


def save(path: Path, taught: TaughtMachine) -> None:
    """Keep what was learnt; a cache that cannot be written is no reason to fail."""
    arrays: Arrays = {}
    heads = [_head(i, view, arrays) for i, view in enumerate(taught.views)]
    arrays["meta"] = np.frombuffer(json.dumps({"views": heads}).encode(), np.uint8)
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        fresh = path.with_suffix(f".{os.getpid()}.tmp")
        with fresh.open("wb") as file:
            np.savez(file, allow_pickle=False, **arrays)
        fresh.replace(path)
        files = sorted(path.parent.glob("taught-*.npz"), key=lambda p: p.stat().st_mtime)
        for old in files[:-KEPT]:
            old.unlink(missing_ok=True)


def _head(i: int, view: TaughtView, arrays: Arrays) -> dict[str, Any]:
    every = [*view.examples, *(e for group in view.made.values() for e in group)]
    stacks: dict[str, list[NDArray[np.float16]]] = {}
    rows = []
    for example in every:
        size = "x".join(map(str, example.maps.shape[1:]))
        stack = stacks.setdefault(size, [])
        row = asdict(example)
        del row["maps"]
        rows.append((row, size, len(stack)))
        stack.append(example.maps)
    for size, stack in stacks.items():
        arrays[f"{i}-{size}"] = np.stack(stack)
    arrays[f"{i}-tokens"] = np.stack([a.tokens for a in view.anchors])
    arrays[f"{i}-maps"] = np.stack([a.maps for a in view.anchors])
    for k, judge in enumerate(view.judges.values()):
        arrays |= {f"{i}-weights-{k}": judge.weights, f"{i}-constant-{k}": judge.constant}
    arrays |= {f"{i}-look-{k}": look for k, look in enumerate(view.looks.values())}
    return {
        "sizes": list(stacks),
        "examples": rows,
        "own": len(view.examples),
        "fits": [a.fit for a in view.anchors],
        "left_out": view.left_out,
        "heights": view.heights,
        "looks": list(view.looks),
        "hardest": view.hardest,
        "whole": [asdict(one) for one in view.whole],
        "judges": [(part, judge.states) for part, judge in view.judges.items()],
    }
