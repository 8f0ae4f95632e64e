"""The plots, each as PNG and SVG: readable on a phone, told apart without colour."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import matplotlib as mpl
import matplotlib.ticker

mpl.use("Agg")

from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tests.peers.conditions import Point
from tests.peers.methods import METHODS
from tests.peers.rows import Area, Row
from verify.score import Proportion, ReliabilityBin, RiskCoverage

# Okabe and Ito, "Color Universal Design" (2008): told apart with any kind of colour vision.
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#000000")
MARKERS = ("o", "s", "^", "D", "v")
DASHES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)))
STYLE = {
    "font.size": 13,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": "#DDDDDD",
    "lines.linewidth": 2.2,
    "lines.markersize": 8,
    "svg.fonttype": "none",
    "svg.hashsalt": "verify",  # the same plot gives the same file
}
WIDTH = 5.2  # inches; 100 dots an inch and more on a phone held upright
ROOM = 0.04  # of the axis, beyond 0 and 100 %


def save(figure: Figure, folder: Path, name: str) -> list[Path]:
    """Write a figure as PNG and SVG."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / f"{name}.png", folder / f"{name}.svg"]
    figure.savefig(paths[0], dpi=200, bbox_inches="tight")
    figure.savefig(paths[1], bbox_inches="tight", metadata={"Date": None})
    plt.close(figure)
    return paths


def plot_shots(rows: Mapping[int, Sequence[Row]], folder: Path, name: str) -> list[Path]:
    """Draw misses, false holds and AUROC against the number of right shots that taught.

    Args:
        rows: number of right shots to the rows of all methods, lines tuned alike.
    """
    with plt.rc_context(STYLE):
        figure, axes = plt.subplots(3, 1, figsize=(WIDTH, 9.6), sharex=True)
        methods = [row.method for row in next(iter(rows.values()))]
        for number, method in enumerate(methods):
            found = {n: next(r for r in few if r.method == method) for n, few in rows.items()}
            look = _Look(number, METHODS[method].title, 0.07 * (number - (len(methods) - 1) / 2))
            for axis, part in zip(axes, ("missed", "false_hold"), strict=False):
                shares = [getattr(row, part) for row in found.values()]
                _curve(axis, list(found), [_ends(each) for each in shares], look)
            areas = [row.part_area for row in found.values()]
            _curve(axes[2], list(found), [_area_ends(each) for each in areas], look)
        for axis, text in zip(axes, ("wrong parts missed", "right photos held"), strict=False):
            _percent(axis, text)
        axes[2].set_ylabel("AUROC of parts, %")
        axes[2].set_ylim(top=101)
        axes[2].set_xticks(list(rows))
        axes[2].set_xlabel("right shots that taught (no fault shown)")
        _legend(figure, axes[0])
        return save(figure, folder, name)


def plot_conditions(points: Mapping[str, Sequence[Point]], folder: Path, name: str) -> list[Path]:
    """Draw misses, false holds and refusals of this tool against tilt, blur and darkness.

    Args:
        points: label of the horizontal axis to its points; an empty one is left out.
    """
    drawn = {label: few for label, few in points.items() if few}
    with plt.rc_context(STYLE):
        figure, grid = plt.subplots(len(drawn), 1, figsize=(WIDTH, 3.3 * len(drawn)), squeeze=False)
        axes = grid[:, 0]
        for axis, (label, few) in zip(axes, drawn.items(), strict=True):
            at = [point.at for point in few]
            apart = 0.012 * max(max(at) - min(at), 1e-9)
            for shares, look in (
                ([p.missed for p in few], _Look(1, "wrong parts missed", -apart)),
                ([p.false_alarm for p in few], _Look(0, "right parts not called right", 0.0)),
                ([p.refused for p in few], _Look(2, "photos sent back", apart)),
            ):
                _curve(axis, at, [_ends(each) for each in shares], look)
            _percent(axis, "")
            axis.set_xlabel(label)
        figure.subplots_adjust(hspace=0.42)
        _legend(figure, axes[0])
        return save(figure, folder, name)


def plot_reliability(
    bins: Sequence[ReliabilityBin], facts: str, folder: Path, name: str
) -> list[Path]:
    """Draw the share of right parts against the probability given, and how often it was given."""
    with plt.rc_context(STYLE):
        figure, (top, low) = plt.subplots(
            2, 1, figsize=(WIDTH, 6.6), sharex=True, height_ratios=(3, 1)
        )
        top.plot([0, 100], [0, 100], color="#777777", linestyle=":", linewidth=1.5)
        top.text(97, 3, "dotted: as often\nright as was said", ha="right", fontsize=12)
        at = [100 * each.mean_p for each in bins]
        _curve(top, at, [_ends(each.right) for each in bins], _Look(0, "", 0.0, joined=False))
        _percent(top, "parts that were right")
        widths = [100 * (each.high - each.low) for each in bins]
        counts = [each.right.total for each in bins]
        low.bar(
            [100 * each.low for each in bins], counts, widths, align="edge",
            color=COLOURS[0], edgecolor="white",
        )  # fmt: skip
        low.set_yscale("log")
        low.set_ylim(bottom=0.6)
        low.yaxis.set_major_formatter(mpl.ticker.FuncFormatter(lambda value, _: f"{value:g}"))
        low.yaxis.set_minor_formatter(mpl.ticker.NullFormatter())
        low.set_ylabel("parts")
        low.set_xlabel("probability of right that was said, %")
        top.set_title(facts, fontsize=12, loc="left")
        return save(figure, folder, name)


def plot_risk(curves: Mapping[str, RiskCoverage], folder: Path, name: str) -> list[Path]:
    """Draw the share of wrong answers among the surest ones against how many those are."""
    with plt.rc_context(STYLE):
        figure, axis = plt.subplots(figsize=(WIDTH, 4.2))
        for number, (title, curve) in enumerate(curves.items()):
            axis.plot(
                [100 * c for c in curve.coverage], [100 * r for r in curve.risk],
                color=COLOURS[number], linestyle=DASHES[number], label=title,
            )  # fmt: skip
        axis.set_xlabel("surest answers, % of all parts")
        axis.set_ylabel("wrong among them, %")
        axis.set_xlim(0, 100)
        axis.set_ylim(bottom=0)
        axis.legend(title="taught by", frameon=False, fontsize=12)
        return save(figure, folder, name)


@dataclass(frozen=True)
class _Look:
    """How a curve is drawn: its number among the curves, its name, how far aside it stands."""

    number: int
    title: str
    aside: float
    joined: bool = True


Ends = tuple[float, float, float]  # value, lower and upper limit, in percent


def _ends(value: Proportion) -> Ends | None:
    """Return a share with its exact interval; None of nothing."""
    if value.rate is None or value.interval is None:
        return None
    return 100 * value.rate, 100 * value.interval[0], 100 * value.interval[1]


def _area_ends(value: Area) -> Ends | None:
    if value.value is None or value.low is None or value.high is None:
        return None
    return 100 * value.value, 100 * value.low, 100 * value.high


def _curve(axis: Axes, at: Sequence[float], values: Sequence[Ends | None], look: _Look) -> None:
    """Draw values with their intervals; what is not known is left out."""
    known = [(x + look.aside, *ends) for x, ends in zip(at, values, strict=True) if ends]
    if not known:
        return
    axis.errorbar(
        [x for x, _, _, _ in known],
        [value for _, value, _, _ in known],
        # A bootstrap interval may lie beside its value: no bar is shorter than nothing.
        [
            [max(0.0, value - low) for _, value, low, _ in known],
            [max(0.0, high - value) for _, value, _, high in known],
        ],
        color=COLOURS[look.number],
        marker=MARKERS[look.number],
        linestyle=DASHES[look.number] if look.joined else "none",
        capsize=4,
        elinewidth=1.2,
        label=look.title,
    )


def _percent(axis: Axes, text: str) -> None:
    axis.set_ylim(-100 * ROOM, 100 + 100 * ROOM)
    axis.set_yticks([0, 25, 50, 75, 100])
    axis.set_ylabel(f"{text}, %" if text else "%")


def _legend(figure: Figure, axis: Axes) -> None:
    handles, labels = axis.get_legend_handles_labels()
    figure.legend(
        handles, labels, loc="lower center", bbox_to_anchor=(0.5, 0.9), frameon=False, fontsize=12,
        handlelength=3.2, title="bars: 95 % intervals", title_fontsize=12,
    )  # fmt: skip
