"""What all charts share: an empty canvas, the colours, and the way into a page."""

from __future__ import annotations

import io
import re
from html import escape
from textwrap import fill

import matplotlib
import matplotlib.axes
from matplotlib.figure import Figure

DARK, MIDDLE, LIGHT = (matplotlib.colormaps["cividis"](share) for share in (0.05, 0.5, 0.85))
LINE_STYLES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 1)))
_TITLE_WIDTH = 50
_SCREEN_DPI = 110


class Chart(Figure):
    """A figure that shows itself in a notebook, with no plotting mode to switch on."""

    def _repr_png_(self) -> bytes:
        buffer = io.BytesIO()
        # "tight" widens the picture where a title is longer than the plot below it.
        self.savefig(
            buffer,
            format="png",
            dpi=_SCREEN_DPI,
            bbox_inches="tight",
            metadata={"Software": None},
        )
        return buffer.getvalue()

    def __repr__(self) -> str:
        return f"<Chart: {chart_title(self)}>"


def blank_chart(
    title: str, *, width: float = 4.8, height: float = 3.4
) -> tuple[Chart, matplotlib.axes.Axes]:
    """Return a figure with one plot and a title that is broken into lines.

    A title may hold names from the files, so nothing in it is read as a formula. The same goes
    for ticks that are names: give them ``parse_math=False``.
    """
    figure = Chart(figsize=(width, height), layout="constrained")
    axes = figure.add_subplot()
    axes.set_title(fill(title, _TITLE_WIDTH), loc="left", fontsize=11, parse_math=False)
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(color="0.9", linewidth=0.8)
    axes.set_axisbelow(True)
    return figure, axes


def nothing_chart(title: str) -> Chart:
    """Return a chart that only says why there is nothing to draw."""
    figure, axes = blank_chart(title, height=1.2)
    axes.set_axis_off()
    return figure


def legend_below(figure: Figure, *, columns: int = 2) -> None:
    """Put the legend under the plot, where it hides nothing."""
    figure.legend(loc="outside lower center", ncols=columns, frameon=False, fontsize=9)


def chart_title(figure: Figure) -> str:
    """Return the finding that a chart states, on one line.

    Parameters
    ----------
    figure : Figure

    Returns
    -------
    str
    """
    return " ".join(figure.axes[0].get_title(loc="left").split())


def figure_svg(figure: Figure, *, name: str, with_title: bool = True) -> str:
    """Return a figure as inline SVG with an accessible name, the same bytes each time.

    Parameters
    ----------
    figure : Figure
    name : str
        What the picture shows, for readers who cannot see it.
    with_title : bool
        Whether the title is drawn; a page may print it as text instead.

    Returns
    -------
    str
        Without identifiers that nothing refers to, so that several fit on a page.
    """
    axes = figure.axes[0]
    title = axes.get_title(loc="left")
    if not with_title:
        axes.set_title("", loc="left")
    buffer = io.StringIO()
    with matplotlib.rc_context({"svg.hashsalt": "linemap", "svg.fonttype": "none"}):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    axes.set_title(title, loc="left", fontsize=11)
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    used = set(re.findall(r"#([\w.-]+)", text))
    text = re.sub(r' id="([^"]*)"', lambda found: found[0] if found[1] in used else "", text)
    return text.replace("<svg ", f'<svg role="img" aria-label="{escape(name, quote=True)}" ', 1)
