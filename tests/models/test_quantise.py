"""Networks with 8-bit weights say nearly what they said, and overflow on no processor."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("onnx", reason="training is an optional extra")

import onnx
import onnxruntime
from onnx import TensorProto, helper, numpy_helper

from models.training import quantise
from models.training.shards import Episode, write_shard
from verify.vision import frame

MODELS = Path(quantise.__file__).parents[1]
BYTES = {TensorProto.INT8, TensorProto.UINT8}


def network(layers: int) -> onnx.ModelProto:
    """Return convolutions and clips in a row, as an encoder has them."""
    rng = np.random.default_rng(3)
    nodes, weights, last, width = [], [], "patch", 3
    limits = [numpy_helper.from_array(np.array(v, np.float32), n) for v, n in ((0, "l"), (6, "h"))]
    for k in range(layers):
        weight = rng.normal(0, 1 / np.sqrt(9 * width), (8, width, 3, 3)).astype(np.float32)
        weights.append(numpy_helper.from_array(weight, f"w{k}"))
        nodes.append(
            helper.make_node("Conv", [last, f"w{k}"], [f"c{k}"], name=f"conv{k}", pads=[1] * 4)
        )
        nodes.append(helper.make_node("Clip", [f"c{k}", "l", "h"], [f"y{k}"], name=f"clip{k}"))
        last, width = f"y{k}", 8
    graph = helper.make_graph(
        nodes, "net",
        [helper.make_tensor_value_info("patch", TensorProto.FLOAT, ["b", 3, "h", "w"])],
        [helper.make_tensor_value_info(last, TensorProto.FLOAT, None)],
        [*limits, *weights],
    )  # fmt: skip
    return helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8)


def said(path: Path, x: np.ndarray) -> np.ndarray:
    session = onnxruntime.InferenceSession(path, providers=["CPUExecutionProvider"])
    out: np.ndarray = session.run(None, {"patch": x})[0]
    return out


@pytest.fixture
def pictures() -> list[np.ndarray]:
    rng = np.random.default_rng(5)
    small = rng.integers(0, 256, (2, 12, 16, 3), dtype=np.uint8)
    return [np.kron(p, np.ones((20, 20, 1), np.uint8)) for p in small]


def test_a_quantised_network_says_nearly_the_same(tmp_path: Path, pictures: list) -> None:
    source, target = tmp_path / "float.onnx", tmp_path / "bytes.onnx"
    onnx.save(network(5), str(source))
    feeds = list(quantise.patches(np.random.default_rng(6), pictures))
    quantise.quantise(source, target, feeds[:8])
    x = feeds[9]["patch"]
    first, second = said(source, x), said(target, x)
    cosine = (
        (first * second).sum(1) / np.linalg.norm(first, axis=1) / np.linalg.norm(second, axis=1)
    )
    assert np.median(cosine) > 0.999
    assert 0 < np.abs(first - second).mean() < 0.03 * first.std()
    model = onnx.load(str(target))
    convolutions = [n for n in model.graph.node if n.op_type == "Conv"]
    floats = {i.name for i in model.graph.initializer if i.data_type == TensorProto.FLOAT}
    assert sum(n.input[1] in floats for n in convolutions) == quantise.FIRST
    assert sum(i.name.endswith("_quantized") for i in model.graph.initializer) >= 2


def test_linear_layers_get_bytes_for_weights(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    weight = numpy_helper.from_array(rng.normal(size=(16, 12)).astype(np.float32), "weight")
    graph = helper.make_graph(
        [helper.make_node("MatMul", ["patch", "weight"], ["y"], name="product")], "net",
        [helper.make_tensor_value_info("patch", TensorProto.FLOAT, [1, "n", 16])],
        [helper.make_tensor_value_info("y", TensorProto.FLOAT, [1, "n", 12])],
        [weight],
    )  # fmt: skip
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8)
    source, target = tmp_path / "float.onnx", tmp_path / "bytes.onnx"
    onnx.save(model, str(source))
    quantise.quantise_weights(source, target)
    x = rng.normal(size=(1, 30, 16)).astype(np.float32)
    off = np.abs(said(source, x) - said(target, x))
    assert 0 < off.max() < 0.15
    assert "MatMulInteger" in [node.op_type for node in onnx.load(str(target)).graph.node]


@pytest.mark.parametrize("shape", [(20, 33, 1, 1), (20, 24, 3, 3), (20, 7)])
def test_steps_keep_neighbours_within_sixteen_bits(shape: tuple[int, ...]) -> None:
    weight = np.random.default_rng(9).standard_t(2, shape).astype(np.float32)
    steps = quantise.safe_steps(weight)
    count = np.round(weight / steps.reshape(-1, *[1] * (len(shape) - 1)))
    assert np.abs(count).max() <= 127
    assert worst_pair(count) * 255 <= 2**15 - 1
    assert worst_pair(count) > 100  # and no coarser than that takes


def test_layers_with_one_input_each_use_all_bits() -> None:
    weight = np.random.default_rng(9).normal(size=(20, 1, 5, 5)).astype(np.float32)
    weight[3] = 0
    steps = quantise.safe_steps(weight)
    most = np.abs(weight).max((1, 2, 3))
    np.testing.assert_allclose((most / steps)[most > 0], 127, rtol=1e-5)
    assert steps[3] > 0


def worst_pair(count: np.ndarray) -> float:
    """Return the largest sum of two neighbours, channels first or last."""
    worst = 0.0
    for order in (count, np.moveaxis(count, 1, -1)):
        flat = order.reshape(len(order), -1)
        flat = np.pad(flat, ((0, 0), (0, flat.shape[1] % 2)))
        worst = max(worst, float(np.abs(flat[:, ::2] + flat[:, 1::2]).max()))
    return worst


@pytest.mark.parametrize("name", quantise.STATIC + quantise.DYNAMIC)
def test_shipped_networks_overflow_nowhere(name: str) -> None:
    model = onnx.load(str(MODELS / f"{name}.onnx"))
    weights = [i for i in model.graph.initializer if i.name.endswith("_quantized") and i.dims]
    counts = [numpy_helper.to_array(i).astype(np.int32) for i in weights if i.data_type in BYTES]
    assert len(counts) > 10
    for count in counts:
        turned = count.T if count.ndim == 2 else count
        if turned.shape[1] > 1:
            assert worst_pair(turned) <= 128


def test_patches_lie_within_their_picture(pictures: list) -> None:
    rng = np.random.default_rng(4)
    for shape in quantise.SHAPES:
        home = quantise.cut_piece(rng, pictures[0], shape)
        middle = frame.apply(frame.inverse(home), (np.array([shape], float) - 1) / 2)
        assert (middle > 0).all()
        assert (middle < pictures[0].shape[1::-1]).all()
        assert quantise.pieces(rng, pictures, shape, 2).shape == (2, shape[1], shape[0], 3)


def test_pictures_come_from_folders_and_from_shards(tmp_path: Path, pictures: list) -> None:
    import cv2

    (tmp_path / "in").mkdir()
    cv2.imwrite(str(tmp_path / "in" / "one.png"), pictures[0])
    cv2.imwrite(str(tmp_path / "in" / "small.png"), pictures[0][:40])
    (tmp_path / "in" / "words.txt").write_text("no picture")
    jpeg = cv2.imencode(".jpg", pictures[1])[1].tobytes()
    none = np.zeros((1, 0), np.float32)
    episode = Episode(
        (jpeg,), none, none, none.astype(np.int16), none, none, none[0].astype(np.int16), none[0],
        1, (), (), (), (), (),
    )  # fmt: skip
    write_shard(tmp_path / "shard.npz", [episode])
    assert len(quantise.read_pictures([tmp_path / "in"], [])) == 1
    assert len(quantise.read_pictures([tmp_path / "in"], [tmp_path])) == 2
    with pytest.raises(ValueError, match="--pictures or --shards"):
        quantise.read_pictures([], [])
