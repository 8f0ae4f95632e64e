"""Slimmed networks say what they said, held against the ONNX runtime."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("onnx", reason="training is an optional extra")

import onnx
import onnxruntime
from onnx import TensorProto, helper, numpy_helper

from models.training import slim

MODELS = Path(slim.__file__).parents[1]


def network(mode: str = "constant", users: int = 1, channels: int = 0) -> onnx.ModelProto:
    """Return pad and convolution; the widths of the pad are worked out in the graph."""
    rng = np.random.default_rng(3)
    weight = numpy_helper.from_array(rng.normal(size=(4, 2, 3, 3)).astype(np.float32), "weight")
    half = numpy_helper.from_array(np.array([0, channels, 0, 1, 0, 0]), "half")
    rest = numpy_helper.from_array(np.array([2, 1]), "rest")
    nodes = [
        helper.make_node("Concat", ["half", "rest"], ["widths"], axis=0),
        helper.make_node("Pad", ["x", "widths"], ["padded"], mode=mode),
        helper.make_node("Conv", ["padded", "weight"], ["y"], strides=[2, 2], pads=[0, 1, 1, 0]),
    ]
    outputs = ["y"]
    if users > 1:
        nodes.append(helper.make_node("Relu", ["padded"], ["z"]))
        outputs.append("z")
    free = ["b", 2 - channels, "h", "w"]
    graph = helper.make_graph(
        nodes,
        "net",
        [helper.make_tensor_value_info("x", TensorProto.FLOAT, free)],
        [helper.make_tensor_value_info(name, TensorProto.FLOAT, [None] * 4) for name in outputs],
        [weight, half, rest],
    )
    opset = [helper.make_opsetid("", 17)]
    return helper.make_model(graph, opset_imports=opset, ir_version=8)


def said(model: onnx.ModelProto, x: np.ndarray) -> list[np.ndarray]:
    session = onnxruntime.InferenceSession(model.SerializeToString())
    out: list[np.ndarray] = session.run(None, {"x": x})
    return out


def test_zeros_move_into_the_convolution_and_nothing_is_left_of_them(tmp_path: Path) -> None:
    x = np.random.default_rng(4).normal(size=(2, 2, 9, 12)).astype(np.float32)
    expected = said(network(), x)[0]
    path = tmp_path / "net.onnx"
    onnx.save(network(), str(path))
    slim.slim(path)
    slimmed = onnx.load(str(path))
    np.testing.assert_allclose(said(slimmed, x)[0], expected, atol=1e-5)
    assert [node.op_type for node in slimmed.graph.node] == ["Conv"]
    assert [weight.name for weight in slimmed.graph.initializer] == ["weight"]


@pytest.mark.parametrize("odd", [{"mode": "reflect"}, {"users": 2}, {"channels": 1}])
def test_what_a_convolution_cannot_do_stays(odd: dict[str, object]) -> None:
    model = network(**odd)  # type: ignore[arg-type]
    assert slim.fold_pads(model) == 0
    assert "Pad" in [node.op_type for node in model.graph.node]


@pytest.mark.parametrize("name", ["encode", "seek", "describe"])
def test_shipped_encoders_pad_inside_their_convolutions(name: str) -> None:
    graph = onnx.load(str(MODELS / f"{name}.onnx")).graph
    assert "Pad" not in [node.op_type for node in graph.node]
