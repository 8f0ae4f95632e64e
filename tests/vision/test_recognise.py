"""Which view a photo shows: in what order a machine's views are looked at, and when that ends."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from verify.vision import align, pipeline
from verify.vision.align import Placement
from verify.vision.finding import Anchor, Found
from verify.vision.pipeline import LIKELIEST, Checker


class Machine:
    """Stands in for a taught machine: by view, how surely it matches and how well it fits."""

    def __init__(
        self, monkeypatch: pytest.MonkeyPatch, likeness: dict[str, float], fit: dict[str, float]
    ) -> None:
        self.likeness, self.fit = likeness, fit
        self.looked: list[tuple[str, bool]] = []
        self.views = tuple(self.view(name) for name in likeness)
        monkeypatch.setattr(pipeline, "find", self.find)
        monkeypatch.setattr(align, "locate_body", self.locate_body)

    def view(self, name: str) -> Any:
        master = Anchor(np.zeros((0, 128), np.float32), np.zeros(0, np.float32))
        layout = SimpleNamespace(body_in_crop=name, view=SimpleNamespace(id=name))
        usual = Anchor(master.tokens, master.maps, 8.0)
        return SimpleNamespace(anchors=(master, usual), layout=layout)

    def find(self, _net: Any, _anchor: Any, _tokens: Any, name: Any) -> Found:
        return Found((), self.likeness[name])

    def locate_body(
        self, _net: Any, anchors: Any, _photo: Any, _tokens: Any, name: Any, *,
        turned: bool, good: float, found: Found,
    ) -> Placement | None:  # fmt: skip
        assert found.likeness == self.likeness[name]
        assert good == align.good_fit(self.views[0].anchors)
        assert len(anchors) == (2 if turned else 1)
        self.looked.append((name, turned))
        fit = self.fit[name]
        return None if np.isnan(fit) else Placement(np.eye(3), fit)

    def recognised(self, count: int | None = None) -> str | None:
        nothing: Any = None
        checker: Any = SimpleNamespace(networks=None)
        checker._found = lambda view, tokens: Checker._found(checker, view, tokens)
        checker._fitting = lambda *given, **named: Checker._fitting(checker, *given, **named)
        best = Checker._best(checker, self.views[:count], nothing, nothing)
        return None if best is None else best[0].layout.view.id


LIKE = {"pump": -4.0, "seals": -1.0, "valves": -2.0, "door": -3.0}


def test_the_views_that_match_likeliest_are_looked_at_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    seen = Machine(monkeypatch, LIKE, {"pump": 9.0, "seals": -5.0, "valves": 7.0, "door": 1.0})
    assert seen.recognised() == "valves"
    assert seen.looked == [("seals", False), ("valves", False)]
    assert len(seen.looked) == LIKELIEST


def test_where_none_of_them_fits_well_the_others_are_looked_at(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    seen = Machine(monkeypatch, LIKE, {"pump": 9.0, "seals": 1.0, "valves": np.nan, "door": 2.0})
    assert seen.recognised() == "pump"
    assert seen.looked == [(name, False) for name in ("seals", "valves", "door", "pump")]


def test_where_nothing_fits_well_all_shots_are_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = Machine(monkeypatch, LIKE, {"pump": 3.0, "seals": 1.0, "valves": -2.0, "door": 2.0})
    assert seen.recognised() == "pump"
    assert [turned for _, turned in seen.looked] == [False] * 4 + [True] * 4


def test_a_view_that_is_named_is_looked_at_with_all_shots_at_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    seen = Machine(monkeypatch, LIKE, dict.fromkeys(LIKE, -1.0))
    assert seen.recognised(1) is None
    assert seen.looked == [("pump", True)]
