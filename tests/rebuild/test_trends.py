"""Counts over weeks: one for each part of a rebuild, the strongest word, weeks, medians."""

from __future__ import annotations

import statistics
from datetime import date, timedelta

from hypothesis import given
from hypothesis import strategies as st

from verify.rebuild.trends import (
    Count,
    Flag,
    Kind,
    Wait,
    counted,
    merged,
    monday,
    waits_by_week,
    weekly,
    weeks,
)

DAY = date(2026, 6, 10)  # a Wednesday


def flag(part: str = "seal", said: str | None = None, **more: object) -> Flag:
    known = {"rebuild": "r1", "store": "s", "machine": "m", "view": "v", "day": DAY}
    return Flag(part=part, said=said, **{**known, **more})  # type: ignore[arg-type]


def test_a_part_counts_once_for_each_rebuild_with_the_strongest_word() -> None:
    flags = [flag(), flag(said="false-alarm"), flag(said="real"), flag(said="cannot-see")]
    assert merged(flags) == [flag(said="real")]
    assert counted(flags, lambda f: f.part) == [("seal", Count(real=1))]
    other = [*flags, flag(rebuild="r2"), flag(view="w", said="false-alarm")]
    assert counted(other, lambda f: f.part) == [("seal", Count(1, 1, 0, 1))]


def test_the_most_real_faults_come_first_then_the_most_flags() -> None:
    flags = [flag("a"), flag("b", "real"), flag("c"), flag("c", rebuild="r2")]
    assert [key for key, _ in counted(flags, lambda f: f.part)] == ["b", "c", "a"]


def test_the_share_of_false_alarms_leaves_out_what_nobody_could_tell() -> None:
    assert Count(real=1, false_alarm=3, cannot_see=4, open=5).false_share == 0.75
    assert Count(cannot_see=4).false_share is None


def test_weeks_begin_on_monday_and_none_is_left_out() -> None:
    assert weeks(date(2026, 6, 7), date(2026, 6, 22)) == [
        date(2026, 6, 1),
        date(2026, 6, 8),
        date(2026, 6, 15),
        date(2026, 6, 22),
    ]
    found = weekly([flag(said="real")], date(2026, 6, 1), date(2026, 6, 15))
    assert [count.real for _, count in found] == [0, 1, 0]


@given(st.dates(date(2000, 1, 3), date(2100, 1, 1)))
def test_a_monday_is_the_first_day_of_the_iso_week(day: date) -> None:
    # ISO 8601 weeks as Python's own calendar has them.
    year, week, _ = day.isocalendar()
    assert monday(day) == date.fromisocalendar(year, week, 1)


@given(st.lists(st.integers(0, 900), min_size=1, max_size=20))
def test_waits_are_medians_of_their_week(minutes: list[int]) -> None:
    waits = [Wait(f"r{n}", "s", DAY, timedelta(minutes=m), False) for n, m in enumerate(minutes)]
    before, during = waits_by_week(waits, DAY - timedelta(weeks=1), DAY)
    assert before[1:] == (None, None, 0)
    assert during[1:] == (statistics.median(minutes), max(minutes), len(minutes))


def test_every_word_of_managers_is_counted() -> None:
    from verify.store.reviews import Said

    assert {said.value for said in Said} == {kind.value for kind in Kind} - {"open"}
