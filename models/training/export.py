"""Write the trained networks as ONNX files.

``python -m models.training.export --align align.pt --part part.pt --out FLOATS``

What ships is made from these by ``models.training.quantise``.

Of several files the mean of the weights is taken (Wortsman et al. 2022, "Model soups", arXiv
2203.05482), which serves where they were trained from the same weights.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import torch
from torch import nn

from models.training.nets import Aligner, PartNet
from models.training.slim import slim

OPSET = 17


def write(
    net: nn.Module,
    args: tuple[torch.Tensor, ...],
    path: Path,
    inputs: list[str],
    outputs: list[str],
    free: dict[str, dict[int, str]],
) -> None:
    """Export one network with the free axes named."""
    torch.onnx.export(
        net.eval(),
        args,
        str(path),
        input_names=inputs,
        output_names=outputs,
        dynamic_axes=free,
        opset_version=OPSET,
        dynamo=False,
    )
    slim(path)


def export_align(net: Aligner, out: Path) -> None:
    picture = torch.zeros(1, 3, 288, 384)
    write(
        net.encoder, (picture,), out / "encode.onnx", ["picture"], ["tokens", "maps"],
        {"picture": {0: "b", 2: "h", 3: "w"}, "tokens": {0: "b", 1: "n"},
         "maps": {0: "b", 2: "mh", 3: "mw"}},
    )  # fmt: skip
    tokens, maps = net.encoder(picture)
    write(
        net.matcher, (tokens[:, :300], tokens), out / "match.onnx", ["reference", "photo"],
        ["similarity", "seen_reference", "seen_photo"],
        {"reference": {0: "b", 1: "n"}, "photo": {0: "b", 1: "m"},
         "similarity": {0: "b", 1: "n", 2: "m"}, "seen_reference": {0: "b", 1: "n"},
         "seen_photo": {0: "b", 1: "m"}},
    )  # fmt: skip
    _, maps = net.encoder(torch.zeros(1, 3, 240, 320))
    write(
        net.refiner, (maps, maps), out / "refine.onnx", ["reference", "photo"], ["flow", "fit"],
        {"reference": {0: "b"}, "photo": {0: "b"}, "flow": {0: "b"}, "fit": {0: "b"}},
    )  # fmt: skip


def export_part(net: PartNet, out: Path) -> None:
    patch = torch.zeros(2, 3, 128, 128)
    write(
        net.describer, (patch,), out / "describe.onnx", ["patch"], ["maps"],
        {"patch": {0: "b", 2: "s", 3: "t"}, "maps": {0: "b", 2: "h", 3: "w"}},
    )  # fmt: skip
    maps = net.describer(patch)
    shots = maps[:, None].repeat(1, 3, 1, 1, 1)
    write(
        net.comparer, (maps, shots, torch.ones(2, 1, 16, 16), torch.ones(2, 3)),
        out / "compare.onnx", ["patch", "shots", "mask", "weight"], ["answer"],
        {"patch": {0: "b", 2: "h", 3: "w"}, "shots": {0: "b", 1: "k", 3: "h", 4: "w"},
         "mask": {0: "b", 2: "h", 3: "w"}, "weight": {0: "b", 1: "k"}, "answer": {0: "b"}},
    )  # fmt: skip


def mean_weights(files: Sequence[Path]) -> dict[str, torch.Tensor]:
    """Return the mean of each weight and statistic over files of one kind of network."""
    held = [torch.load(file, map_location="cpu", weights_only=True) for file in files]
    return {
        name: torch.stack([one[name].double() for one in held]).mean(0).to(first.dtype)
        for name, first in held[0].items()
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--align", type=Path, nargs="+")
    parser.add_argument("--part", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True, help="folder of the float networks")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    with torch.no_grad():
        if args.align:
            net = Aligner()
            net.load_state_dict(mean_weights(args.align))
            export_align(net.eval(), args.out)
        if args.part:
            part = PartNet()
            # The losses of training have weights of their own, which nothing else needs.
            held = mean_weights(args.part).items()
            part.load_state_dict({k: v for k, v in held if not k.startswith(("expert.", "seek."))})
            export_part(part.eval(), args.out)


if __name__ == "__main__":
    main()
