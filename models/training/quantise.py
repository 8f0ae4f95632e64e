"""Write float networks again with 8-bit weights and, where it pays, 8-bit values between layers.

    python -m models.training.quantise --floats FLOATS --pictures PHOTOS... [--shards FOLDER...]
        [--out models] [--networks encode seek describe compare match]

``encode``, ``seek``, ``describe`` and ``compare``: weights of convolutions as signed bytes with a
scale for each output channel, values between them as unsigned bytes over ranges that are measured
on pictures (post-training static quantisation, Jacob et al. 2018, arXiv 1712.05877). ``match``:
weights of linear layers only; the range of what they take is measured in every run. The others
gain nothing and stay as they are.

Pictures must not be of the demo machines: ordinary photos, and renderings of random machines as
``models.training.assemblies`` writes them. They are cut into patches as the product cuts them.

Steps of the weights are chosen so that no processor overflows and all say the same.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import cv2
import numpy as np
import onnx
import onnxruntime
from numpy.typing import NDArray
from onnx import numpy_helper
from onnxruntime.quantization import (
    CalibrationDataReader,
    CalibrationMethod,
    QuantType,
    create_calibrator,
    quantize_dynamic,
)
from onnxruntime.quantization.qdq_quantizer import QDQQuantizer
from onnxruntime.quantization.shape_inference import quant_pre_process

from models.training.shards import read_shard
from verify.vision import frame, window
from verify.vision.network import to_input

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
Feed = dict[str, F32]

STATIC = ("encode", "seek", "describe", "compare")
DYNAMIC = ("match",)
# Convolutions that stay as they are: stem and first block; of ``encode`` the first three blocks,
# since by small differences of the fit a nearly symmetric body is found turned or not.
FIRST, FIRST_ALIGNING = 3, 9
ROUNDS = 24  # of each shape, to measure ranges on
PATCHES = 4  # in a round
SHOTS = 3
# Share of values, in per cent, that ranges hold; what lies beyond is cut off. All of them would
# make the steps of the others coarser for the sake of a few.
HELD = 99.99
LEAST_SIDE = 128  # pixels of a picture that patches are cut of
SUFFIXES = frozenset({".jpg", ".jpeg", ".png"})
# Width and height of what the aligning encoder is shown: crops, and photos either way up.
VIEWS = (frame.CROP_SIZE, (384, 288), (288, 384))
SQUARES = tuple((side, side) for _, side in window.SQUARES)
SHAPES = (*SQUARES, window.shape_with(192, 3.5), window.shape_with(160, 1 / 5))


def quantise(source: Path, target: Path, feeds: Iterable[Feed], first: int = FIRST) -> None:
    """Write ``source`` as ``target``, ranges as measured on ``feeds``, one input each.

    The ``first`` convolutions stay as they are.
    """
    with tempfile.TemporaryDirectory(prefix="quantise-") as folder:
        plain = Path(folder) / "plain.onnx"
        quant_pre_process(str(source), str(plain), skip_symbolic_shape=True)
        model = onnx.load(str(plain))
        kinds, kept = _chosen(model, first)
        calibrator = create_calibrator(
            plain,
            kinds,
            augmented_model_path=str(Path(folder) / "measured.onnx"),
            calibrate_method=CalibrationMethod.Percentile,
            extra_options={"percentile": HELD},
        )
        for feed in feeds:
            calibrator.collect_data(_One(feed))
        quantizer = QDQQuantizer(
            model,
            True,  # a scale for each channel
            False,  # all eight bits
            QuantType.QInt8,
            QuantType.QUInt8,
            calibrator.compute_data(),
            [],
            kept,
            kinds,
            {"TensorQuantOverrides": _scales(model)},
        )
        quantizer.quantize_model()
        quantizer.model.save_model_to_file(str(target))


def quantise_weights(source: Path, target: Path) -> None:
    """Write ``source`` as ``target`` with 8-bit weights of linear layers, the rest as it is."""
    with tempfile.TemporaryDirectory(prefix="quantise-") as folder:
        plain = Path(folder) / "plain.onnx"
        quant_pre_process(str(source), str(plain), skip_symbolic_shape=True)
        quantize_dynamic(
            plain,
            target,
            op_types_to_quantize=["MatMul"],
            weight_type=QuantType.QInt8,
            per_channel=True,
            extra_options={"TensorQuantOverrides": _scales(onnx.load(str(plain)))},
        )


def _chosen(model: onnx.ModelProto, first: int) -> tuple[list[str], list[str]]:
    """Return which kinds of nodes are to count in bytes, and which nodes are not.

    What an encoder's first convolutions lose nothing brings back, and they gain least. The
    comparer changes layout between its nodes so often that only the convolutions pay.
    """
    convolutions = [node.name for node in model.graph.node if node.op_type == "Conv"]
    if any(node.op_type == "MatMul" for node in model.graph.node):
        return ["Conv"], []
    return ["Conv", "Add", "Relu", "Clip", "Resize"], convolutions[:first]


def _scales(model: onnx.ModelProto) -> dict[str, list[dict[str, object]]]:
    """Return the steps of the weights of each layer, as the runtime's quantiser takes them."""
    held = {i.name: numpy_helper.to_array(i) for i in model.graph.initializer}
    out: dict[str, list[dict[str, object]]] = {}
    for node in model.graph.node:
        if node.op_type not in {"Conv", "MatMul"} or node.input[1] not in held:
            continue
        weight, axis = held[node.input[1]], 0 if node.op_type == "Conv" else 1
        steps = safe_steps(np.moveaxis(weight, axis, 0))
        zero = np.array(0, np.int8)
        out[node.input[1]] = [{"axis": axis, "scale": s, "zero_point": zero} for s in steps]
    return out


def safe_steps(weight: F32) -> F32:
    """Return the (O,) finest steps in which weights (O, I, ...) count so that nothing overflows.

    Processors without 8-bit dot products add the products of two neighbours in 16 bits. Values
    are up to 255, so that the sum of two neighbouring weights must stay within 128 steps, in
    whichever order, channels or places of the kernel first, they are laid out.
    """
    outputs, inputs = weight.shape[:2]
    most = np.abs(weight).reshape(outputs, -1).max(1)
    if inputs > 1:  # one input each: such layers do not add in pairs
        for order in (weight, np.moveaxis(weight, 1, -1)):
            flat = order.reshape(outputs, -1)
            flat = np.pad(flat, ((0, 0), (0, flat.shape[1] % 2)))
            most = np.maximum(most, np.abs(flat[:, ::2] + flat[:, 1::2]).max(1))
    # Of a channel of all but nothing, steps as fine would make its constant too large a number.
    return np.maximum(most, 1e-4 * most.max()).astype(np.float32) / np.float32(127)


class _One(CalibrationDataReader):  # type: ignore[misc]  # the runtime brings no types
    """One input. The runtime keeps what a reader brings until it ends, which takes memory."""

    def __init__(self, feed: Feed) -> None:
        self.rest = [feed]

    def get_next(self) -> Feed | None:
        return self.rest.pop() if self.rest else None


# --- What ranges are measured on ----------------------------------------------------------


def read_pictures(folders: Sequence[Path], shards: Sequence[Path]) -> list[U8]:
    """Return the (H, W, 3) BGR pictures of folders, and those of folders of shards.

    Raises:
        ValueError: there is none that is large enough.
    """
    files = [f for folder in folders for f in sorted(folder.rglob("*"))]
    data = [f.read_bytes() for f in files if f.suffix.lower() in SUFFIXES]
    for folder in shards:
        for path in sorted(folder.glob("*.npz")):
            data += [jpeg for episode in read_shard(path) for jpeg in episode.jpegs]
    pictures = [cv2.imdecode(np.frombuffer(d, np.uint8), cv2.IMREAD_COLOR) for d in data]
    kept = [np.asarray(p, np.uint8) for p in pictures if p is not None]
    kept = [p for p in kept if min(p.shape[:2]) >= LEAST_SIDE]
    if not kept:
        raise ValueError("no picture is there; name folders with --pictures or --shards")
    return kept


def cut_piece(rng: np.random.Generator, picture: U8, shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return a homography from a picture to a patch of ``shape``, width and height, in it."""
    size = np.array(picture.shape[1::-1], np.float64)
    most = float((size / np.array(shape)).min())
    scale = most * float(np.exp(rng.uniform(np.log(0.25), 0)))
    half = np.array(shape) * scale / 2
    middle = rng.uniform(half, size - half + 1e-9)
    turn = float(rng.normal(0, 0.2)) + float(rng.integers(4)) * np.pi / 2 * (rng.random() < 0.3)
    to_picture = frame.similarity(np.zeros(2), scale, turn, np.zeros(2))
    to_picture[:2, 2] = middle - to_picture[:2, :2] @ ((np.array(shape) - 1) / 2)
    return frame.inverse(to_picture)


def pieces(
    rng: np.random.Generator, pictures: Sequence[U8], shape: tuple[int, int], count: int
) -> U8:
    """Return (count, H, W, 3) patches of as many random pictures, under other lamps."""
    chosen = [pictures[int(k)] for k in rng.integers(len(pictures), size=count)]
    return np.stack([lit(rng, frame.cut(p, cut_piece(rng, p, shape), shape)) for p in chosen])


def lit(rng: np.random.Generator, patch: U8) -> U8:
    """Return a patch brighter or darker, in a light of another colour."""
    gain = np.exp(rng.normal(0, 0.25) + rng.normal(0, 0.06, 3))
    return np.clip(patch * gain, 0, 255).astype(np.uint8)


def views(rng: np.random.Generator, pictures: Sequence[U8]) -> Iterator[Feed]:
    """Yield what ``encode`` is shown."""
    for _ in range(ROUNDS):
        for size in VIEWS:
            yield {"picture": to_input(pieces(rng, pictures, size, 1))}


def patches(rng: np.random.Generator, pictures: Sequence[U8]) -> Iterator[Feed]:
    """Yield what ``seek`` and ``describe`` are shown."""
    for _ in range(ROUNDS):
        for shape in SHAPES:
            yield {"patch": to_input(pieces(rng, pictures, shape, PATCHES))}


def groups(rng: np.random.Generator, pictures: Sequence[U8], describer: Path) -> Iterator[Feed]:
    """Yield what ``compare`` is shown: half of the patches beside shots of something else."""
    session = onnxruntime.InferenceSession(str(describer), providers=["CPUExecutionProvider"])
    for _ in range(ROUNDS):
        for shape in SHAPES:
            seen = [_group(rng, pictures, shape) for _ in range(PATCHES)]
            maps = session.run(None, {"patch": to_input(np.concatenate(seen))})[0]
            maps = maps.reshape(PATCHES, SHOTS + 1, *maps.shape[1:])
            yield {
                "patch": maps[:, 0],
                "shots": maps[:, 1:],
                "mask": np.stack([_mask(rng, maps.shape[-2:]) for _ in range(PATCHES)]),
                "weight": np.ones((PATCHES, SHOTS), np.float32),
            }


def _group(rng: np.random.Generator, pictures: Sequence[U8], shape: tuple[int, int]) -> U8:
    """Return a patch and its shots, (1 + SHOTS, H, W, 3), cut nearly alike."""
    picture = pictures[int(rng.integers(len(pictures)))]
    home = cut_piece(rng, picture, shape)
    middle = (np.array(shape) - 1) / 2
    cuts = []
    for _ in range(SHOTS + 1):
        shift = rng.normal(0, 0.02, 2) * np.sqrt(np.prod(shape))
        off = frame.similarity(shift, np.exp(rng.normal(0, 0.03)), rng.normal(0, 0.04), middle)
        cuts.append(lit(rng, frame.cut(picture, off @ home, shape)))
    if rng.random() < 0.5:
        cuts[0] = pieces(rng, pictures, shape, 1)[0]
    return np.stack(cuts)


def _mask(rng: np.random.Generator, size: tuple[int, int]) -> F32:
    """Return (1, h, w) shares of cells inside an ellipse, about as large as parts' outlines."""
    height, width = size
    y, x = np.mgrid[:height, :width]
    away = np.hypot((x + 0.5) / width - 0.5, (y + 0.5) / height - 0.5) / rng.uniform(0.2, 0.4)
    return np.clip((1 - away) * 4 + 0.5, 0, 1).astype(np.float32)[None]


def main() -> None:
    parser = argparse.ArgumentParser(
        prog="python -m models.training.quantise",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--floats", type=Path, required=True, help="folder of the float networks")
    parser.add_argument("--pictures", type=Path, nargs="*", default=[], help="folders of photos")
    parser.add_argument("--shards", type=Path, nargs="*", default=[], help="folders of shards")
    parser.add_argument("--out", type=Path, default=Path("models"))
    parser.add_argument("--networks", nargs="+", choices=STATIC + DYNAMIC, default=STATIC + DYNAMIC)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    pictures = read_pictures(asked.pictures, asked.shards)
    for name in asked.networks:
        source, target = asked.floats / f"{name}.onnx", asked.out / f"{name}.onnx"
        if source.resolve() == target.resolve():
            parser.error(f"{source} would be written over; name another folder")
        rng = np.random.default_rng(asked.seed)
        if name in DYNAMIC:
            quantise_weights(source, target)
        elif name == "compare":
            quantise(source, target, groups(rng, pictures, asked.floats / "describe.onnx"))
        elif name == "encode":
            quantise(source, target, views(rng, pictures), FIRST_ALIGNING)
        else:
            quantise(source, target, patches(rng, pictures))
        print(f"{target}: {source.stat().st_size} to {target.stat().st_size} bytes")


if __name__ == "__main__":
    main()
