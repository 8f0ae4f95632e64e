"""Take the shipped networks up again, to train them further.

``python -m models.training.restore --models FLOATS --align align.pt --part part.pt``

An exported network holds each batch normalisation folded into the convolution before it. Here
the convolution keeps the folded weights and its normalisation only adds the bias, so that the
network says what the exported one says. :func:`settle` then gives the normalisations the
statistics of the pictures to come, without a change to what the network says. Files whose weights
were made bytes (``models.training.quantise``) are refused: ``models/README.md`` says where the
float ones are.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import numpy_helper
from torch import Tensor, nn

from models.training.nets import Aligner, PartNet

IN_BYTES = frozenset({"QuantizeLinear", "DequantizeLinear", "DynamicQuantizeLinear"})


def folded_pairs(net: nn.Module) -> Iterator[tuple[nn.Conv2d, nn.BatchNorm2d]]:
    """Yield each convolution that a batch normalisation follows, in the order of use."""
    last: nn.Module | None = None
    for module in net.modules():
        if isinstance(module, nn.BatchNorm2d) and isinstance(last, nn.Conv2d):
            yield last, module
        last = module


@torch.no_grad()
def restore(net: nn.Module, path: Path) -> None:
    """Give ``net`` the weights of the ONNX file ``path``, which was exported from its like.

    Raises:
        ValueError: the file holds another network, or one with 8-bit weights.
    """
    graph = onnx.load(str(path)).graph
    if any(node.op_type in IN_BYTES for node in graph.node):
        raise ValueError(f"{path} has 8-bit weights; name the folder of the float networks")
    held = {i.name: torch.from_numpy(np.array(numpy_helper.to_array(i))) for i in graph.initializer}
    held |= _linear_weights(graph, held)
    named = dict(net.named_parameters())
    pairs = list(folded_pairs(net))
    inside = {id(p) for conv, norm in pairs for m in (conv, norm) for p in m.parameters()}
    # Folded weights have lost their names; the nodes tell in which order they are used.
    folded = [n.input[1:3] for n in graph.node if n.op_type == "Conv" and n.input[1] not in named]
    if len(folded) != len(pairs):
        raise ValueError(f"{path} has {len(folded)} folded convolutions, not {len(pairs)}")
    for name, parameter in named.items():
        if id(parameter) not in inside:
            if name not in held:
                raise ValueError(f"{path} lacks {name}")
            parameter.copy_(held[name])
    for (conv, norm), (weight, bias) in zip(pairs, folded, strict=True):
        if conv.weight.shape != held[weight].shape:
            raise ValueError(f"{path} has {tuple(held[weight].shape)} at {weight}")
        conv.weight.copy_(held[weight])
        norm.reset_running_stats()
        norm.weight.fill_((1 + norm.eps) ** 0.5)
        norm.bias.copy_(held[bias])


def _linear_weights(graph: onnx.GraphProto, held: dict[str, Tensor]) -> dict[str, Tensor]:
    """Return the weights of linear layers by name; the exporter keeps only their biases' names."""
    product = {n.output[0]: n.input[1] for n in graph.node if n.op_type == "MatMul"}
    found = {}
    for node in graph.node:
        if node.op_type == "Add" and node.input[0] in held and node.input[1] in product:
            weight = product[node.input[1]]
            if weight in held:
                found[node.input[0].removesuffix("bias") + "weight"] = held[weight].T
    return found


@torch.no_grad()
def settle(net: nn.Module, show: Callable[[], object], rounds: int) -> None:
    """Give every batch normalisation the statistics of what it gets to see.

    Scale and offset are changed with the statistics, so that in evaluation the network says
    what it said before, and in training nearly that.

    Args:
        net: any network; left in the mode that it was in.
        show: passes one batch through ``net``.
        rounds: number of batches.
    """
    norms = [m for m in net.modules() if isinstance(m, nn.BatchNorm2d)]
    sums = [torch.zeros(3, m.num_features, dtype=torch.float64) for m in norms]
    hooks = [m.register_forward_pre_hook(_adding(s)) for m, s in zip(norms, sums, strict=True)]
    training = net.training
    net.eval()
    for _ in range(rounds):
        show()
    net.train(training)
    for norm, total, hook in zip(norms, sums, hooks, strict=True):
        hook.remove()
        count, first, second = total
        mean = (first / count).to(norm.weight)
        var = (second / count - (first / count) ** 2).clamp(min=0).to(norm.weight)
        scale = norm.weight / torch.sqrt(norm.running_var + norm.eps)
        norm.bias += scale * (mean - norm.running_mean)
        norm.weight.copy_(scale * torch.sqrt(var + norm.eps))
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(var)


def _adding(total: Tensor) -> Callable[[nn.Module, tuple[Tensor, ...]], None]:
    """Return a hook that adds count, sum and sum of squares of each channel to ``total``."""

    def add(_: nn.Module, inputs: tuple[Tensor, ...]) -> None:
        x = inputs[0].detach().double()
        count = torch.full((x.shape[1],), x.numel() / x.shape[1], dtype=torch.float64)
        total[0] += count
        total[1] += x.sum((0, 2, 3)).cpu()
        total[2] += x.square().sum((0, 2, 3)).cpu()

    return add


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--models", type=Path, required=True, help="folder of the float networks")
    parser.add_argument("--align", type=Path, help="where the weights of the aligner go")
    parser.add_argument("--part", type=Path, help="where those of describer and comparer go")
    args = parser.parse_args()
    if args.align:
        aligner = Aligner()
        restore(aligner.encoder, args.models / "encode.onnx")
        restore(aligner.matcher, args.models / "match.onnx")
        restore(aligner.refiner, args.models / "refine.onnx")
        torch.save(aligner.state_dict(), args.align)
    if args.part:
        net = PartNet()
        restore(net.describer, args.models / "describe.onnx")
        restore(net.comparer, args.models / "compare.onnx")
        torch.save(net.state_dict(), args.part)


if __name__ == "__main__":
    main()
