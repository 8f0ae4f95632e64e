"""Runs every method on every set, each in a process of its own, and keeps what was said.

A run that is there already, from the same photos, shots, networks and code, is not made again.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from tests.peers.methods import METHODS, TOOL
from tests.peers.said import Run, load_run
from tests.peers.sets import PhotoSet, digest_of
from tests.peers.work import REFERENCE, Job, write_job
from verify.domain import LabelledShot
from verify.machine_file import content_sha256
from verify.resources import models_folder

REPOSITORY = Path(__file__).resolve().parents[2]
TUNE, TEST = "tune", "test"
ALL = "all"
# Code that decides what is said; tables and plots do not.
CODE = (
    "verify/vision/*.py",
    "models/shots.py",
    *(
        f"tests/peers/{name}.py"
        for name in ("degrade", "gradients", "looks", "methods", "nearest", "patches", "said")
    ),
    *(f"tests/peers/{name}.py" for name in ("structural", "template", "work")),
)


class RunError(Exception):
    """A method ended without an answer; its own words stand above."""


@dataclass(frozen=True)
class Bench:
    """Where runs are kept and how they are made.

    Attributes:
        folder: of all runs.
        threads: cores that each method may use.
        anew: make runs again that are there already.
    """

    folder: Path
    threads: int = 1
    anew: bool = False

    def run(self, photo_set: PhotoSet, method: str, teaching: str, part: str) -> Run:
        """Return what a method says of one part of a set, made now or found.

        Args:
            photo_set: machine and photos.
            method: one of ``METHODS``.
            teaching: ``all`` or such as ``3 right``.
            part: ``tune``, ``test`` or ``reference`` (this tool only).

        Raises:
            RunError: the process failed.
        """
        known: list[Path] = []
        if method != TOOL and METHODS[method].place != "points":
            for needed in (REFERENCE, part) if METHODS[method].place == "tool" else (REFERENCE,):
                self.run(photo_set, TOOL, teaching, needed)
                known.append(self._path(photo_set, TOOL, teaching, needed))
        shots = {TUNE: photo_set.tune, TEST: photo_set.test}.get(part, ())
        job = self._job(photo_set, method, teaching, part, shots)
        return self._make(replace(job, known=tuple(str(path) for path in known)))

    def spoilt(
        self, photo_set: PhotoSet, shots: Sequence[LabelledShot], spoil: str, amount: float
    ) -> Run:
        """Return what this tool says of photos that were spoilt first."""
        job = self._job(photo_set, TOOL, ALL, f"{spoil}-{amount:g}", shots)
        return self._make(replace(job, spoil=spoil, amount=amount))

    def _path(self, photo_set: PhotoSet, method: str, teaching: str, part: str) -> Path:
        name = f"{method}-{teaching.replace(' ', '-')}-{part}.jsonl"
        return self.folder / photo_set.name / name

    def _job(
        self,
        photo_set: PhotoSet,
        method: str,
        teaching: str,
        part: str,
        shots: Sequence[LabelledShot],
    ) -> Job:
        parts = (method, teaching, part, content_sha256(photo_set.machine), digest_of(shots))
        key = hashlib.sha256("\n".join((*parts, code_digest(), models_digest())).encode())
        return Job(
            title=f"{photo_set.name}, {teaching} shots, {method}, {part}",
            method=method,
            machine=str(photo_set.machine.folder),
            right=None if teaching == ALL else int(teaching.split()[0]),
            photos=tuple((shot.file, str(shot.path), shot.view) for shot in shots),
            spoil=None,
            amount=0.0,
            known=(),
            out=str(self._path(photo_set, method, teaching, part)),
            key=key.hexdigest(),
            threads=self.threads,
        )

    def _make(self, job: Job) -> Run:
        path = Path(job.out)
        if not self.anew and (kept := load_run(path, job.key)) is not None:
            return kept
        with tempfile.TemporaryDirectory(prefix="verify-peers-") as folder:
            words = Path(folder) / "job.json"
            write_job(job, words)
            done = subprocess.run(
                [sys.executable, "-m", "tests.peers.work", str(words)],
                cwd=REPOSITORY,
                env=environment(job.threads),
                check=False,
            )
        run = load_run(path, job.key)
        if done.returncode or run is None:
            raise RunError(f"{job.title}: ended with {done.returncode} and left no run")
        return run


def environment(threads: int) -> dict[str, str]:
    """Return the surroundings of a process that keeps to so many cores."""
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")
    path = os.pathsep.join(filter(None, (str(REPOSITORY), os.environ.get("PYTHONPATH"))))
    return {**os.environ, **dict.fromkeys(names, str(threads)), "PYTHONPATH": path}


def code_digest() -> str:
    """Return a number for the code that decides what is said."""
    digest = hashlib.sha256()
    for pattern in CODE:
        for path in sorted(REPOSITORY.glob(pattern)):
            digest.update(path.read_bytes())
    return digest.hexdigest()


def models_digest() -> str:
    """Return a number for the networks and what calibrates them."""
    digest = hashlib.sha256()
    for path in sorted(models_folder().glob("*")):
        if path.suffix in {".onnx", ".json"}:
            digest.update(path.read_bytes())
    return digest.hexdigest()
