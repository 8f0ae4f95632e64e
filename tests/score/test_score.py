"""Counting, case by case, as the contract words it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.score.make import finding, label, result
from verify.domain import LabelledShot, PhotoVerdict, Result, RetakeReason, Severity
from verify.score import Proportion, report_to_json, score, verdict_without


def test_a_wrong_part_called_ok_is_missed_and_called_by_its_name_is_named() -> None:
    report = score(
        [
            label(a="missing", b="turned"),
            label(a="missing"),
            label(b="turned"),
        ],
        [
            result(finding("a", "ok"), finding("b", "fault", "turned")),
            result(finding("a", "fault", "unknown"), finding("b", "ok")),
            result(finding("a", "ok"), finding("b", "unsure", "turned")),
        ],
    )
    counts = report.overall.parts
    assert counts.missed == Proportion(1, 4)
    assert counts.named == Proportion(2, 4)
    assert counts.false_alarm == Proportion(0, 2)
    by_state = {(s.part, s.state): s.counts.missed for s in report.states}
    assert by_state == {("a", "missing"): Proportion(1, 2), ("b", "turned"): Proportion(0, 2)}


def test_a_right_photo_that_does_not_pass_is_a_false_hold_and_a_retake_counts() -> None:
    labels = [label(), label(), label(), label(a="missing")]
    results = [
        result(finding("a", "ok")),
        result(finding("a", "fault", "missing")),
        result(retake=RetakeReason.BLUR),
        result(finding("a", "fault", "missing")),
    ]
    verdicts = score(labels, results).overall.verdicts
    assert verdicts.false_hold == Proportion(2, 3)
    assert verdicts.refused == Proportion(1, 4)
    assert verdicts.wrong_passed == Proportion(0, 1)


def test_wrong_parts_of_a_refused_photo_are_neither_caught_nor_missed_but_reported() -> None:
    report = score(
        [label(a="missing", b="missing"), label(a="missing")],
        [
            result(finding("a", "ok"), retake=RetakeReason.COVERED),
            result(finding("a", "fault", "missing")),
        ],
    )
    assert report.overall.parts.missed == Proportion(0, 1)
    assert report.overall.parts.named == Proportion(1, 1)
    assert report.overall.parts.not_judged == 2
    assert report.overall.probabilities.n == 1


def test_photos_that_must_be_refused() -> None:
    labels = [label(retake="blur"), label(retake="dark"), label(retake="glare"), label()]
    results = [
        result(retake=RetakeReason.BLUR),
        result(retake=RetakeReason.BLUR),
        result(finding("a", "ok")),
        result(finding("a", "ok")),
    ]
    verdicts = score(labels, results).overall.verdicts
    assert verdicts.refused_rightly == Proportion(2, 3)
    assert verdicts.reason_named == Proportion(1, 2)
    assert verdicts.unjudgeable_passed == Proportion(1, 3)
    assert verdicts.refused == Proportion(0, 1)
    assert verdicts.false_hold == Proportion(0, 1)


def test_a_held_photo_that_must_be_refused_counts_as_neither() -> None:
    held = result(finding("a", "fault", "missing"))
    verdicts = score([label(retake="blur")], [held]).overall.verdicts
    assert verdicts.refused_rightly == Proportion(0, 1)
    assert verdicts.unjudgeable_passed == Proportion(0, 1)


def test_parts_that_nobody_vouches_for_are_left_out() -> None:
    held = result(finding("a", "fault", "missing"), finding("b", "ok"))
    report = score([label(unlabelled=["a"])], [held])
    assert report.overall.parts.false_alarm == Proportion(0, 1)
    assert report.overall.verdicts.false_hold == Proportion(0, 1)
    assert [part.part for part in report.parts] == ["b"]


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        (result(finding("a", "unseen"), finding("b", "ok")), PhotoVerdict.PASS),
        (result(finding("a", "unseen"), finding("b", "unseen")), PhotoVerdict.RETAKE),
        (result(finding("a", "unsure"), finding("b", "unsure")), PhotoVerdict.HOLD),
        (result(finding("a", "unsure"), finding("b", "ok")), PhotoVerdict.PASS),
        (
            result(finding("a", "ok"), finding("b", "ok"), retake=RetakeReason.DARK),
            PhotoVerdict.RETAKE,
        ),
        (result(retake=RetakeReason.NOT_FOUND), PhotoVerdict.RETAKE),
    ],
)
def test_the_verdict_without_a_part_is_that_of_the_others(
    given: Result, expected: PhotoVerdict
) -> None:
    assert verdict_without(given, frozenset({"a"})) is expected


def test_a_photo_taken_for_another_view_lets_its_wrong_parts_through_when_it_passes() -> None:
    other = result(finding("z", "ok"), view="other")
    assert score([label(a="missing")], [other]).overall.parts.missed == Proportion(1, 1)
    held = result(finding("z", "fault", "missing"), view="other")
    assert score([label(a="missing")], [held]).overall.parts.missed == Proportion(0, 1)


def test_a_caution_part_does_not_make_a_passed_photo_a_wrong_pass() -> None:
    passed = result(finding("a", "fault", "missing", severity=Severity.CAUTION))
    verdicts = score([label(a="missing")], [passed]).overall.verdicts
    assert verdicts.wrong_passed == Proportion(0, 0)


def test_views_are_counted_apart_and_add_up() -> None:
    labels = [label(view="one", a="missing"), label(view="two", a="missing"), label(view="two")]
    results = [
        result(finding("a", "ok"), view="one"),
        result(finding("a", "fault", "missing"), view="two"),
        result(finding("a", "ok"), view="two"),
    ]
    report = score(labels, results)
    assert report.views["one"].parts.missed == Proportion(1, 1)
    assert report.views["two"].parts.missed == Proportion(0, 1)
    added = report.views["one"].parts.missed + report.views["two"].parts.missed
    assert added == report.overall.parts.missed
    assert report.overall.photos == 3


def test_every_mistake_is_listed_with_its_photo() -> None:
    labels = [
        label(file="1.jpg", a="missing"),
        label(file="2.jpg"),
        label(file="3.jpg"),
        label(file="4.jpg", retake="blur"),
        label(file="5.jpg"),
    ]
    results = [
        result(finding("a", "ok")),
        result(finding("a", "unsure", "missing")),
        result(retake=RetakeReason.DARK),
        result(finding("a", "ok")),
        result(finding("a", "ok")),
    ]
    listed = [(m.kind, m.photo, m.part, m.said) for m in score(labels, results).mistakes]
    assert listed == [
        ("missed", "1.jpg", "a", "ok"),
        ("false hold", "2.jpg", "a", "unsure, missing"),
        ("refused", "3.jpg", None, "retake, dark"),
        ("unjudgeable passed", "4.jpg", None, "pass"),
    ]


def test_ranking_per_part_uses_p_right() -> None:
    labels = [label(a="missing"), label(), label()]
    results = [
        result(finding("a", "fault", "missing", p=0.2)),
        result(finding("a", "ok", p=0.9)),
        result(finding("a", "unsure", p=0.1)),
    ]
    (part,) = score(labels, results).parts
    assert part.probabilities.auroc == pytest.approx(0.5)


def test_nothing_to_count_is_null_and_never_a_number() -> None:
    written = report_to_json(score([], []))
    assert written["overall"]["missed"] == {
        "count": 0, "total": 0, "rate": None, "interval": None,
    }  # fmt: skip
    assert written["overall"]["auroc"] is None
    json.dumps(written, allow_nan=False)


def test_the_json_holds_count_total_rate_and_interval() -> None:
    labels = [label(a="missing")] * 20
    results = [result(finding("a", "fault", "missing"))] * 20
    written = report_to_json(score(labels, results))
    missed = written["overall"]["missed"]
    assert (missed["count"], missed["total"], missed["rate"]) == (0, 20, 0.0)
    # 0 of 20: 0 to .1684, as in the outside checks.
    assert missed["interval"] == pytest.approx([0, 0.1684], abs=5e-5)
    assert json.loads(json.dumps(written, allow_nan=False)) == written


def test_labels_and_results_must_pair_up() -> None:
    with pytest.raises(ValueError, match="1 labels, but 0 results"):
        score([label()], [])


def test_a_proportion_refuses_what_is_none() -> None:
    with pytest.raises(ValueError, match="count must be 0 to 2"):
        Proportion(3, 2)


def test_labels_are_plain_values() -> None:
    assert isinstance(label(), LabelledShot)
    assert label(file="x.jpg").path == Path("x.jpg")
