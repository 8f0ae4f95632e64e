"""The plots, each as PNG and SVG: readable on a phone, told apart without colour."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import matplotlib as mpl

mpl.use("Agg")

from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tests.peers.conditions import Point
from tests.peers.rows import Row
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
    """Draw misses and false holds against the number of right shots that taught.

    Args:
        rows: number of right shots to the rows of all methods, lines tuned alike.
    """
    with plt.rc_context(STYLE):
        figure, axes = plt.subplots(2, 1, figsize=(WIDTH, 7.6), sharex=True)
        methods = [row.method for row in next(iter(rows.values()))]
        for number, method in enumerate(methods):
            found = {n: next(r for r in few if r.method == method) for n, few in rows.items()}
            title = next(iter(found.values())).title.removesuffix(", line tuned alike")
            for axis, part in zip(axes, ("missed", "false_hold"), strict=True):
                shares = [getattr(row, part) for row in found.values()]
                _curve(axis, list(found), shares, number, title, shift=0.06 * (number - 1))
        for axis, text in zip(axes, ("wrong parts missed", "right photos held"), strict=True):
            _percent(axis, text)
        axes[1].set_xticks(list(rows))
        axes[1].set_xlabel("right shots that taught (no fault shown)")
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
            _curve(axis, at, [p.missed for p in few], 1, "wrong parts missed")
            _curve(axis, at, [p.false_hold for p in few], 0, "right photos not passed")
            _curve(axis, at, [p.refused for p in few], 2, "photos sent back")
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
        top.text(34, 27, "said = so", color="#555555", rotation=40, fontsize=12)
        at = [100 * each.mean_p for each in bins]
        _curve(top, at, [each.right for each in bins], 0, "")
        _percent(top, "parts that were right")
        widths = [100 * (each.high - each.low) for each in bins]
        counts = [each.right.total for each in bins]
        low.bar(
            [100 * each.low for each in bins], counts, widths, align="edge",
            color=COLOURS[0], edgecolor="white",
        )  # fmt: skip
        low.set_yscale("log")
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


def _curve(
    axis: Axes,
    at: Sequence[float],
    shares: Sequence[Proportion],
    number: int,
    title: str,
    shift: float = 0.0,
) -> None:
    """Draw shares with their exact intervals; those of nothing are left out."""
    known = [(x + shift, s.rate, s.interval) for x, s in zip(at, shares, strict=True) if s.total]
    if not known:
        return
    places = [x for x, _, _ in known]
    rates = [100 * rate for _, rate, _ in known if rate is not None]
    limits = [(100 * ends[0], 100 * ends[1]) for _, _, ends in known if ends is not None]
    below = [rate - low for rate, (low, _) in zip(rates, limits, strict=True)]
    above = [high - rate for rate, (_, high) in zip(rates, limits, strict=True)]
    axis.errorbar(
        places, rates, [below, above], color=COLOURS[number], marker=MARKERS[number],
        linestyle=DASHES[number], capsize=4, elinewidth=1.2, label=title,
    )  # fmt: skip


def _percent(axis: Axes, text: str) -> None:
    axis.set_ylim(-100 * ROOM, 100 + 100 * ROOM)
    axis.set_yticks([0, 25, 50, 75, 100])
    axis.set_ylabel(f"{text}, %" if text else "%")


def _legend(figure: Figure, axis: Axes) -> None:
    handles, labels = axis.get_legend_handles_labels()
    figure.legend(
        handles, labels, loc="lower center", bbox_to_anchor=(0.5, 0.9), frameon=False, fontsize=12
    )
