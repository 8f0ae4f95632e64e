"""Contrast of everything that the style sheet colours, by the formula of WCAG 2.2.

Relative luminance and contrast ratio as WCAG 2.2 defines them (W3C Recommendation, 12 December
2024, "contrast ratio", "relative luminance"); the worked ratios are widely published ones and
those of ISO 3864 safety colours on white. Nothing is rounded before it is compared.
"""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

TEXT, PARTS = 4.5, 3.0  # 1.4.3 (AA) and 1.4.11 (AA)


def luminance(colour: str) -> float:
    """Return the relative luminance, 0 to 1, of a colour such as ``#004d45``."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    a, b = sorted((luminance(one), luminance(other)))
    return (b + 0.05) / (a + 0.05)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("colour", "on", "ratio"),
    [
        ("#767676", "#ffffff", 4.54),
        ("#777777", "#ffffff", 4.48),
        ("#949494", "#ffffff", 3.03),
        ("#959595", "#ffffff", 2.995),
        ("#ff0000", "#ffffff", 4.00),
        ("#0000ff", "#ffffff", 8.59),
        ("#008000", "#ffffff", 5.14),
        ("#000000", "#ffffff", 21.0),
        ("#9b2423", "#ffffff", 7.86),
        ("#005387", "#ffffff", 8.12),
        ("#237f52", "#ffffff", 4.97),
        ("#f9a800", "#ffffff", 1.98),
        ("#f9a800", "#000000", 10.63),
    ],
)
def test_the_formula_gives_published_ratios(colour: str, on: str, ratio: float) -> None:
    assert contrast(colour, on) == pytest.approx(ratio, abs=0.006)


def sheet() -> tuple[dict[str, str], list[tuple[str, dict[str, str]]]]:
    """Return the named colours and every rule of the style sheet."""
    text = files("verify.web").joinpath("static", "verify.css").read_text(encoding="utf-8")
    text = re.sub(r"/\*.*?\*/", "", text, flags=re.S)
    names = dict(re.findall(r"--(\w+):\s*(#[0-9a-f]{6});", text))
    rules = []
    for selector, body in re.findall(r"([^{}]+)\{([^{}]*)\}", text):
        pairs = (line.partition(":") for line in body.split(";") if ":" in line)
        rules.append((selector.strip(), {k.strip(): v.strip() for k, _, v in pairs}))
    return names, rules


def named(value: str, names: dict[str, str]) -> str | None:
    found = re.search(r"var\(--(\w+)\)", value)
    return names[found[1]] if found else None


@pytest.mark.outside
def test_whatever_has_a_ground_has_ink_that_stands_out() -> None:
    names, rules = sheet()
    seen = 0
    for selector, rule in rules:
        ground = named(rule.get("background", ""), names)
        if ground is None or selector == ":root":
            continue
        assert "color" in rule, f"{selector} sets a ground without its ink"
        ink = named(rule["color"], names)
        assert ink is not None, selector
        assert contrast(ink, ground) >= TEXT, (selector, contrast(ink, ground))
        seen += 1
    assert seen > 25


@pytest.mark.outside
def test_what_is_pressed_or_told_by_its_edge_stands_out_from_the_page() -> None:
    names, _ = sheet()
    for edge in ("pine", "red", "slate", "rule", "ink"):
        for ground in ("paper", "ground"):
            assert contrast(names[edge], names[ground]) >= PARTS, (edge, ground)
    # Amber alone would not: it is only ever drawn with a dark line around it, or as a ground.
    assert contrast(names["amber"], names["paper"]) < PARTS
