"""One method, one set, one part of it, in a process of its own: what it says, time and memory.

    python -m tests.peers.work JOB.json

Its peak memory is its own (``VmHWM``, which starts anew with each program).
"""

from __future__ import annotations

import json
import resource
import sys
import time
from dataclasses import asdict, dataclass
from pathlib import Path

from models.shots import right_shots
from tests.peers.degrade import degraded
from tests.peers.methods import TOOL, PeerJudge, ToolJudge, reference_labels
from tests.peers.said import Run, Said, load_run, save_run
from verify.domain import LabelledShot
from verify.machine_file import read_machine

REFERENCE = "reference"  # the part of a set that is its own reference shots


@dataclass(frozen=True)
class Job:
    """What one process does.

    Attributes:
        title: for the progress line.
        method: one of ``METHODS``.
        machine: the folder.
        right: number of right shots that teach; None for all shots.
        photos: (file, path, view) of each photo; empty for the reference shots.
        spoil: how photos are spoilt first, ``blur`` or ``dark``; None leaves them as they are.
        amount: how much, see ``degraded``.
        known: runs of this tool that hold the places of all photos and shots.
        out: the file to write.
        key: written into it.
        threads: cores to use.
    """

    title: str
    method: str
    machine: str
    right: int | None
    photos: tuple[tuple[str, str, str], ...]
    spoil: str | None
    amount: float
    known: tuple[str, ...]
    out: str
    key: str
    threads: int


def write_job(job: Job, path: Path) -> None:
    path.write_text(json.dumps(asdict(job)), encoding="utf-8")


def main() -> int:
    values = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))
    photos = tuple((str(a), str(b), str(c)) for a, b, c in values.pop("photos"))
    work(Job(**{**values, "known": tuple(values["known"])}, photos=photos))
    return 0


def work(job: Job) -> None:
    """Do a job and write its run."""
    import cv2

    cv2.setNumThreads(job.threads)
    machine = read_machine(Path(job.machine))
    if job.right is not None:
        machine = right_shots(machine, job.right)
    shots = [LabelledShot(file, Path(path), view) for file, path, view in job.photos]
    tell = Watch(job.title)
    started = time.perf_counter()
    if job.method == TOOL:
        judge: ToolJudge | PeerJudge = ToolJudge(machine, job.threads, tell)
    else:
        judge = PeerJudge(job.method, machine, _known(job.known), job.threads, tell)
    teach_s = time.perf_counter() - started
    said: list[Said] = []
    for shot in shots or reference_labels(machine):
        with degraded(shot, job.spoil, job.amount) as spoilt:
            said.append(judge.judge(spoilt))
        tell(f"{len(said)} of {len(shots) or 'the reference shots'}", len(said))
    save_run(Path(job.out), Run(job.key, peak_megabytes(), teach_s, tuple(said)))
    tell.done()


def _known(files: tuple[str, ...]) -> dict[tuple[str, str], Said]:
    known = {}
    for file in files:
        run = load_run(Path(file))
        for said in run.said if run is not None else ():
            known[said.view, said.file] = said
    return known


def peak_megabytes() -> float:
    """Return the peak memory of this program."""
    status = Path("/proc/self/status")
    if status.is_file():
        for line in status.read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) / 1024
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1024 * 1024 if sys.platform == "darwin" else 1024)


class Watch:
    """Progress on standard error: one line written over, or now and then a line in a log."""

    def __init__(self, title: str) -> None:
        self.title = title
        self.watched = sys.stderr.isatty()
        self.told = time.monotonic()

    def __call__(self, text: str, count: int = 0) -> None:
        if self.watched:
            sys.stderr.write(f"\r\x1b[K{self.title}: {text}"[:100])
            sys.stderr.flush()
        elif count and time.monotonic() - self.told > 20:
            self.told = time.monotonic()
            print(f"{self.title}: {text}", file=sys.stderr, flush=True)

    def done(self) -> None:
        if self.watched:
            sys.stderr.write("\r\x1b[K")
        print(f"{self.title}: done", file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
