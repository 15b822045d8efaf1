"""How figures look: one style, colours that colour-blind readers tell apart, and shapes so that colour is never alone."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure as Drawing

# Hues of one lightness ladder: dark enough on white for 3:1, apart in grey and for the three common colour deficiencies.
INK = "#1d2b33"
GREY = "#6b7780"
PALE = "#d5dce0"
SERIES = ("#0b5d7a", "#c2571a", "#5a7d2a", "#7a4fa3", "#9c7a00", "#444c52")
MARKERS = ("o", "s", "^", "D", "v", "P")
DASHES = ("-", (0, (5, 2)), (0, (1, 1.2)), (0, (5, 1.5, 1, 1.5)), (0, (8, 2)), (0, (2, 2)))
WIDTH = 6.5  # inches; the text width of both reports

_STYLE: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": 9,
    "axes.titlesize": 9,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 9,
    "axes.labelcolor": INK,
    "axes.edgecolor": GREY,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.grid.axis": "y",
    "axes.axisbelow": True,
    "grid.color": PALE,
    "grid.linewidth": 0.6,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 8,
    "ytick.labelsize": 8,
    "legend.frameon": False,
    "legend.fontsize": 8,
    "lines.linewidth": 1.6,
    "lines.markersize": 5,
    "text.color": INK,
    "figure.constrained_layout.use": True,
    "svg.fonttype": "none",
    "svg.hashsalt": "fishreport",
    "path.simplify": False,
    "text.parse_math": False,  # a dollar sign in a name is a dollar sign
}


@dataclass(frozen=True)
class Look:
    """Colour, marker and line of one series; the same species looks the same in every figure."""

    colour: str
    marker: str
    dash: Any


def looks(names: Sequence[str]) -> dict[str, Look]:
    """A look for each name, in their order; more than six names start over with the colours shifted."""
    count = len(SERIES)
    return {name: Look(SERIES[(i + i // count) % count], MARKERS[i % count], DASHES[i % count]) for i, name in enumerate(names)}


@contextmanager
def style() -> Iterator[None]:
    """Draw inside this: these settings over matplotlib's defaults, whatever a user's file says; outside, nothing changes."""
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_STYLE)
        yield


def drawing(
    rows: int = 1, columns: int = 1, *, width: float = WIDTH, height: float = 3.2, **options: Any
) -> tuple[Drawing, np.ndarray]:
    """A drawing of the report's width and its axes as a two-dimensional array; call it inside `style`."""
    figure = Drawing(figsize=(width, height))
    FigureCanvasSVG(figure)
    axes = figure.subplots(rows, columns, squeeze=False, **options)
    return figure, axes


_NO_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")  # no XML may hold these


def to_svg(figure: Drawing) -> str:
    """The drawing as SVG text without date or generator, the same bytes for the same drawing."""
    buffer = io.StringIO()
    with style():
        figure.set_dpi(200)  # of what is drawn as pixels
        # As `savefig` does, without its first drawing for nothing: nothing is fitted to the outlines here.
        FigureCanvasSVG(figure).print_svg(buffer, metadata={"Date": None, "Creator": None})
    text = _NO_XML.sub("", buffer.getvalue())
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    return "\n".join(line.rstrip() for line in text.splitlines())


def season_axis(ax: Axes, seasons: Sequence[int]) -> None:
    """Whole years as ticks, thinned where they would touch."""
    years = sorted(seasons)
    if not years:
        return
    step = max(1, -(-(years[-1] - years[0] + 1) // 10))
    ticks = list(range(years[-1], years[0] - 1, -step))[::-1]
    ax.set_xticks(ticks, [str(year) for year in ticks])
    ax.set_xlim(years[0] - 0.6, years[-1] + 0.6)
    ax.set_xlabel("Season")


def letter(axes: np.ndarray, titles: Sequence[str]) -> None:
    """Title the panels with a letter and a name."""
    for i, (ax, title) in enumerate(zip(axes.ravel(), titles, strict=False)):
        ax.set_title(f"{chr(97 + i)}  {title}")


def interval_points(
    ax: Axes, x: Any, value: Any, lower: Any, upper: Any, look: Look, *, label: str = "", offset: float = 0.0, line: bool = True
) -> None:
    """Points with their intervals, joined by a line of the series' own dash; where a value is not finite, the line breaks."""
    x, value, lower, upper = (np.asarray(v, dtype=float) for v in (x, value, lower, upper))
    x, value = x + offset, np.where(np.isfinite(value), value, np.nan)
    bounded = np.isfinite(value) & np.isfinite(lower) & np.isfinite(upper)
    ax.vlines(x[bounded], lower[bounded], upper[bounded], color=look.colour, linewidth=1.1)
    edge: dict[str, Any] = {"markeredgecolor": "white", "markeredgewidth": 0.6}
    ax.plot(x, value, color=look.colour, marker=look.marker, linestyle=look.dash if line else "none", label=label, **edge)
