"""The networks, run with ONNX Runtime.

Pictures go in as BGR bytes, (H, W, 3); the change to what the networks were trained on is
made here and nowhere else. What each network takes and gives is told in ``models/README.md``.
"""

from __future__ import annotations

import hashlib
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..errors import ModelError
from ..resources import models_folder
from .frame import F32, U8

if TYPE_CHECKING:
    from onnxruntime import InferenceSession

NAMES = ("encode", "match", "refine", "seek", "describe", "compare")


def to_input(pictures: NDArray[np.uint8]) -> F32:
    """Turn (B, H, W, 3) BGR bytes into (B, 3, H, W) RGB of about -1 to 1."""
    planes = pictures[..., ::-1].transpose(0, 3, 1, 2).astype(np.float32)
    planes -= 127.0
    planes /= 128.0
    return planes


class Networks:
    """The six networks; each is loaded when it is first used."""

    def __init__(self, folder: Path | None = None, threads: int = 0) -> None:
        """Point at the folder of the ONNX files.

        Args:
            folder: None means the files that come with the product.
            threads: cores for one run; 0 lets the runtime decide.

        Raises:
            ModelError: a file is not there.
        """
        self.folder = folder or models_folder()
        self.threads = threads
        for name in NAMES:
            if not self._path(name).is_file():
                raise ModelError(
                    f"{self._path(name)} is not there; install the product again, "
                    "models/README.md says how it is made"
                )

    def _path(self, name: str) -> Path:
        return self.folder / f"{name}.onnx"

    @cached_property
    def sha256(self) -> str:
        """SHA-256 over the files of all networks, in a fixed order."""
        digest = hashlib.sha256()
        for name in NAMES:
            digest.update(hashlib.sha256(self._path(name).read_bytes()).digest())
        return digest.hexdigest()

    def _open(self, name: str) -> InferenceSession:
        import onnxruntime

        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = self.threads
        # Waiting threads that spin take the cores from OpenCV and from the other networks' own.
        options.add_session_config_entry("session.intra_op.allow_spinning", "0")
        options.log_severity_level = 3
        try:
            return onnxruntime.InferenceSession(
                str(self._path(name)), options, providers=["CPUExecutionProvider"]
            )
        except Exception as error:  # the runtime raises a class of its own for each cause
            raise ModelError(
                f"{self._path(name)} cannot be used ({error}); install the product again"
            ) from error

    @cached_property
    def _encode(self) -> InferenceSession:
        return self._open("encode")

    @cached_property
    def _match(self) -> InferenceSession:
        return self._open("match")

    @cached_property
    def _refine(self) -> InferenceSession:
        return self._open("refine")

    @cached_property
    def _seek(self) -> InferenceSession:
        return self._open("seek")

    @cached_property
    def _describe(self) -> InferenceSession:
        return self._open("describe")

    @cached_property
    def _compare(self) -> InferenceSession:
        return self._open("compare")

    def encode(self, picture: U8) -> tuple[F32, F32]:
        """Return tokens (H/16 * W/16, 128) and maps (64, H/8, W/8) of one picture."""
        tokens, maps = self._encode.run(None, {"picture": to_input(picture[None])})
        return tokens[0], maps[0]

    def match(self, reference: F32, photo: F32) -> tuple[F32, F32, F32]:
        """Match tokens (N, 128) and (M, 128).

        Returns:
            similarity (N, M) and the logits (N,) and (M,) that a token is seen in the other.
        """
        similarity, seen_ref, seen_photo = self._match.run(
            None, {"reference": reference[None], "photo": photo[None]}
        )
        return similarity[0], seen_ref[0], seen_photo[0]

    def refine(self, reference: F32, photo: F32) -> tuple[F32, float]:
        """Compare maps (64, h, w) of the reference crop and of the photo warped onto it.

        Returns:
            flow (6, h, w): body dx, dy, log error, part dx, dy, log error, in crop pixels;
            and the logit that both show the same body in the same pose.
        """
        flow, fit = self._refine.run(None, {"reference": reference[None], "photo": photo[None]})
        return flow[0], float(fit[0])

    def seek(self, patches: NDArray[np.uint8]) -> F32:
        """Turn (B, H, W, 3) patches into (B, 64, H/8, W/8) maps by which a part is looked for."""
        (maps,) = self._seek.run(None, {"patch": to_input(patches)})
        out: F32 = maps
        return out

    def describe(self, patches: NDArray[np.uint8]) -> F32:
        """Turn (B, H, W, 3) patches into (B, 64, H/8, W/8) maps by which a part is judged."""
        (maps,) = self._describe.run(None, {"patch": to_input(patches)})
        out: F32 = maps
        return out

    def compare(self, patch: F32, shots: F32, mask: F32) -> F32:
        """Compare patches with sets of shots.

        Args:
            patch: (B, 64, h, w) maps.
            shots: (B, K, 64, h, w) maps, K of 1 or more.
            mask: (B, h, w) share of each cell inside the part's outline, 0 to 1.

        Returns:
            (B, 8): logit 'same state'; logit 'in sight'; from the shots' place to the patch's
            dx, dy as shares of the root of its pixels, log of the size, turn in radians; log
            errors of the shift and of size and turn.
        """
        weight = np.ones(shots.shape[:2], np.float32)
        (out,) = self._compare.run(
            None, {"patch": patch, "shots": shots, "mask": mask[:, None], "weight": weight}
        )
        result: F32 = out
        return result
