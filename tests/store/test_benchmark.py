"""The book that ``tests.benchmark_records`` fills by copying is one that checks find whole."""

from __future__ import annotations

from pathlib import Path

from tests.benchmark_records import MACHINES, copy_night, likeness_of, one_night
from tests.store.make import furnish
from verify.settings import RecordSettings
from verify.store.home import open_home


def test_copied_nights_are_whole_records(record_settings: RecordSettings, tmp_path: Path) -> None:
    with open_home(record_settings) as home:
        furnish(home, tmp_path / "machines", *MACHINES)
        night = one_night(home, tmp_path / "shots")
        for number in (1, 2, 9):
            copy_night(home, night, number, likeness_of(home, night))
        chains = home.rebuilds.chains()
        assert len(chains) == 1 + 3 + 1  # the night, its copies, the book
        for chain in chains:
            home.rebuilds.check_chain(chain)
