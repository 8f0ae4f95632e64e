"""Killed at any moment, under load: nothing that was accepted is lost, nothing is half-written.

``VERIFY_KILLS=100`` kills a hundred times; a few are enough for every day.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

from tests.store.make import furnish
from verify.rebuild.entries import Action
from verify.settings import RecordSettings
from verify.store.chain import BOOK
from verify.store.home import open_home

KILLS = int(os.environ.get("VERIFY_KILLS", "4"))
MACHINES = ("harbour-2", "m-2")
REPOSITORY = Path(__file__).resolve().parents[2]


def worker(settings: RecordSettings, place: Path, machine: str, seed: int) -> subprocess.Popen[str]:
    words = [settings.database, str(place), machine, str(seed)]
    return subprocess.Popen(
        [sys.executable, "-m", "tests.store.killed", *words],
        cwd=REPOSITORY,
        env={**os.environ, "PYTHONPATH": str(REPOSITORY), "OMP_NUM_THREADS": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_nothing_is_lost(record_settings: RecordSettings, tmp_path: Path) -> None:
    place = tmp_path / "home"
    with open_home(record_settings) as home:
        furnish(home, tmp_path / "machines", *MACHINES)
        for machine in MACHINES:
            rebuild = home.rebuilds.start(machine, by="ines").id
            home.rebuilds.answer(rebuild, "counted", yes=True, by="ines")
            home.rebuilds.reading(rebuild, "strength", 100, by="ines")
    draw = random.Random(KILLS)
    accepted: dict[str, list[str]] = {machine: [] for machine in MACHINES}
    for number in range(KILLS):
        workers = {m: worker(record_settings, place, m, number) for m in MACHINES}
        # So many lines are waited for that a slow machine has something to do as well.
        for machine, process in workers.items():
            assert process.stdout is not None
            assert process.stdout.readline() == "ready\n", process.communicate()[1]
            accepted[machine] += [process.stdout.readline() for _ in range(draw.randrange(4))]
        time.sleep(draw.uniform(0, 0.4))
        for machine, process in workers.items():
            assert process.poll() is None, process.communicate()[1]
            process.send_signal(signal.SIGKILL)
            said, _ = process.communicate()
            accepted[machine] += [line for line in said.splitlines(keepends=True) if "\n" in line]
        _require_all(record_settings, accepted)
    assert sum(map(len, accepted.values())) >= KILLS  # they had something to do


def _require_all(settings: RecordSettings, accepted: dict[str, list[str]]) -> None:
    with open_home(settings) as home:
        home.rebuilds.check_chain(BOOK)
        for machine, lines in accepted.items():
            rebuild = home.rebuilds.going_on(machine)
            assert rebuild is not None
            entries = home.rebuilds.check(rebuild).entries  # pictures are held against their hash
            written = [
                f"photo {entry.data['sha256']}\n"
                if entry.kind == Action.PHOTO
                else f"note {entry.data.get('note')}\n"
                for entry in entries
            ]
            missing = [line for line in lines if line not in written]
            assert missing == []
            photos = [line for line in written if line.startswith("photo")]
            assert len(photos) == len(set(photos))
            listed = home.rebuilds.listed(machine=machine)[0]
            assert listed.changed_at == max(listed.changed_at, listed.started_at)
            assert home.rebuilds.get(rebuild).entries == len(entries)
