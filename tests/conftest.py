"""What all tests share: where the open data lies, and that nothing outside is skipped in earnest.

Tests below ``tests/outside`` and tests marked ``outside`` hold the product against
something that nobody here made. Where ``VERIFY_REQUIRE_OPEN_DATA`` is set, a skip of
such a test is a failure, so that a green run means that they all ran.
"""

from __future__ import annotations

import os
from collections.abc import Generator
from pathlib import Path

import pytest
from hypothesis import settings

# No time limit for a single example: the machines that run this are slow and shared.
settings.register_profile("shared", deadline=None, derandomize=True)
settings.load_profile("shared")

REPOSITORY = Path(__file__).resolve().parents[1]
OUTSIDE = REPOSITORY / "tests" / "outside"


def _required() -> bool:
    return bool(os.environ.get("VERIFY_REQUIRE_OPEN_DATA"))


@pytest.fixture(scope="session")
def open_data() -> Path:
    """Return the folder of the open data; skip, with the reason, where it is absent."""
    named = os.environ.get("VERIFY_OPEN_DATA")
    folder = Path(named) if named else REPOSITORY.parent / "shared" / "open_data"
    if not folder.is_dir():
        pytest.skip(f"no open data at {folder}; VERIFY_OPEN_DATA names another folder")
    return folder


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark everything below tests/outside as an outside check."""
    for item in items:
        if OUTSIDE in item.path.parents:
            item.add_marker("outside")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item,
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turn the skip of an outside check into a failure where open data is required."""
    report = yield
    really_skipped = report.skipped and not hasattr(report, "wasxfail")
    if really_skipped and _required() and item.get_closest_marker("outside"):
        report.outcome = "failed"
        report.longrepr = f"an outside check may not be skipped here: {report.longrepr}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """The same for a whole module of outside checks that skips itself."""
    report = yield
    if report.skipped and _required() and OUTSIDE in collector.path.parents:
        report.outcome = "failed"
        report.longrepr = f"an outside check may not be skipped here: {report.longrepr}"
    return report
