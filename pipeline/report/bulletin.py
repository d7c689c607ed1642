"""A day's map as one picture for a bulletin: what a page's map shows, with title, figures, legend and date in it."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import matplotlib as mpl
import numpy as np
from matplotlib import cm, colors
from matplotlib.figure import Figure

from snowtally.report.colours import WATER, sequential
from snowtally.report.maps import no_snow, round_length
from snowtally.report.notices import lacking
from snowtally.report.pictures import coloured, legend, shade
from snowtally.report.published import PublishedDay
from snowtally.report.units import Units
from snowtally.report.words import CAUTIONS, long_date

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_IN, HEIGHT_IN, DOTS_PER_IN = 16.0, 12.0, 100
"""1600 by 1200 dots: sharp across a page of paper and small enough for a letter (common practice, no source)."""

_INK, _QUIET, _WARN = "#1c2530", "#5b6672", "#8a3b12"


def bulletin(day: PublishedDay, units: Units) -> bytes:
    """Return the map of snow water equivalent as a PNG, with the basin's volume and what the day lacks."""
    fields, maps, unit = day.maps.fields, day.maps, units.swe
    scale = legend(fields["swe"], factor=unit.factor)
    colours = sequential(WATER)
    drawn = coloured(fields["swe"], shade(fields["elevation"], maps.step_m), colours, scale, no_snow(maps))
    rows, columns = np.nonzero(maps.inside)
    with mpl.rc_context({"font.family": "DejaVu Sans", "text.color": _INK}):
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN), dpi=DOTS_PER_IN, facecolor="white")
        axes = figure.add_axes((0.03, 0.13, 0.94, 0.67))
        axes.imshow(np.asarray(drawn.convert("RGBA")), interpolation="nearest")
        axes.contour(maps.inside, [0.5], colors=_INK, linewidths=1.2)
        spare = 0.02 * max(np.ptp(rows), np.ptp(columns)) + 1
        axes.set_xlim(columns.min() - spare, columns.max() + spare)
        axes.set_ylim(rows.max() + spare, rows.min() - spare)
        axes.set_axis_off()
        figure.text(0.04, 0.945, str(day.record["title"]), size=30, weight="bold")
        figure.text(0.04, 0.905, f"Snow water equivalent, {long_date(day.date)}", size=20)
        for number, (words, colour) in enumerate(_figures(day, units)):
            figure.text(0.04, 0.865 - 0.032 * number, words, size=16, color=colour)
        length, words = round_length(np.ptp(axes.get_xlim()) * maps.step_m, units.distance)
        _bar(figure, axes, length / maps.step_m, words)
        _legend(figure, colours, (scale.low * unit.factor, scale.high * unit.factor), f"{unit.label}; grey: no snow")
        figure.text(0.04, 0.025, CAUTIONS[0], size=12, color=_QUIET)
        sink = io.BytesIO()
        figure.savefig(sink, format="png", metadata={"Software": None})
    return sink.getvalue()


def _figures(day: PublishedDay, units: Units) -> list[tuple[str, str]]:
    """Return the lines beneath the title, each with its colour."""
    whole, unit = day.whole, units.volume
    volume, se, low, high = (
        unit.text(whole[name], whole["volume_se_m3"])
        for name in ("volume_m3", "volume_se_m3", "volume_p10_m3", "volume_p90_m3")
    )
    lines = [(f"{volume} ± {se} {unit.label} of water; 80 % likely between {low} and {high}", _INK)]
    missing = [line["words"] for line in lacking(day.record)]
    if missing:
        more = f" and {len(missing) - 1} more" if len(missing) > 1 else ""
        lines.append((f"Degraded: {missing[0].rstrip('.')}{more}.", _WARN))
    return lines


def _bar(figure: Figure, axes: Axes, cells: float, words: str) -> None:
    """Draw the scale of lengths beneath the map, in dots of the figure."""
    (left, _), (right, _) = axes.transData.transform([(0, 0), (cells, 0)])
    length = (right - left) / (WIDTH_IN * DOTS_PER_IN)
    bar = figure.add_axes((0.04, 0.085, length, 0.012))
    bar.set(xlim=(0, 1), ylim=(0, 1))
    bar.plot([0, 0, 1, 1], [1, 0, 0, 1], color=_INK, lw=1.5, clip_on=False)
    bar.set_axis_off()
    figure.text(0.05 + length, 0.083, f"{words}; north is up", size=13)


def _legend(figure: Figure, colours: np.ndarray, ends: tuple[float, float], words: str) -> None:
    """Draw the scale of colours at the lower right."""
    bar = figure.add_axes((0.6, 0.085, 0.36, 0.02))
    shown = colors.ListedColormap(colours / 255)
    scale = colors.Normalize(*ends)
    drawn = figure.colorbar(cm.ScalarMappable(scale, shown), cax=bar, orientation="horizontal", label=words)
    drawn.ax.xaxis.label.set_fontsize(13)
    drawn.ax.tick_params(labelsize=13)
