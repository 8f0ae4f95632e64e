"""Start Mitsuba with the variant that suits this machine."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

_VARIANTS = ("cuda_ad_rgb", "llvm_ad_rgb", "scalar_rgb")
_LLVM_GLOBS = ("libLLVM.so.2*", "libLLVM.so.19*", "libLLVM-19.so*", "libLLVM.so.18*")


class RenderError(RuntimeError):
    """The scene does not fit the engine, or no renderer can be started."""


def pick_variant(wanted: str | None = None) -> str:
    """Return the first variant that starts here: the GPU, else LLVM, else scalar.

    Raises:
        RenderError: ``wanted`` is none of the known variants.
    """
    if wanted is not None:
        if wanted not in _VARIANTS:
            raise RenderError(f"variant {wanted!r} is unknown; use one of {', '.join(_VARIANTS)}")
        return wanted
    if Path("/dev/nvidiactl").exists():
        return "cuda_ad_rgb"
    return "llvm_ad_rgb" if _find_llvm() else "scalar_rgb"


def _find_llvm() -> str | None:
    named = os.environ.get("DRJIT_LIBLLVM_PATH")
    if named:
        return named
    for folder in ("/usr/lib/x86_64-linux-gnu", "/usr/lib/aarch64-linux-gnu", "/usr/lib64"):
        for pattern in _LLVM_GLOBS:
            for path in sorted(Path(folder).glob(pattern)):
                return str(path)
    return None


def start(variant: str) -> tuple[Any, Any]:
    """Return the mitsuba and drjit modules with ``variant`` set."""
    if variant == "llvm_ad_rgb":
        found = _find_llvm()
        if found:
            os.environ["DRJIT_LIBLLVM_PATH"] = found
    try:
        import drjit as dr
        import mitsuba as mi
    except ImportError as error:
        raise RenderError(
            "the renderer is not installed; install the extra that brings 'mitsuba' and 'drjit'"
        ) from error
    mi.set_variant(variant)
    mi.set_log_level(mi.LogLevel.Error)
    return mi, dr
