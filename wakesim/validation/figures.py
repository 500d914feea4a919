"""One figure for each comparison: measured values with their uncertainty, and what is computed.

With a condition named in [figure] the values are drawn against it; without one, few points are
drawn as rows with their labels and many as computed against measured.
"""

from __future__ import annotations

import io
import textwrap
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from PIL import Image

from wakesim.outputs.figures.style import GREY, VERMILLION, WIDTH_IN, house_style
from wakesim.validation.outcome import Outcome
from wakesim.validation.plots import Handles, draw_against, draw_rows, draw_scatter, row_labels
from wakesim.validation.verdict import limit_text
from wakesim.validation.words import result_text

DPI = 120
MAX_ROWS = 20
_PALETTE = 64
_TITLE_WIDTH = 88
_LINE_IN = 0.19


def save_figure(outcome: Outcome, path: Path) -> None:
    """Draw a comparison and write it as PNG; the same bytes each time."""
    buffer = io.BytesIO()
    with house_style():
        figure = draw(outcome)
        figure.savefig(buffer, format="png", dpi=DPI, metadata={"Software": None})
    # few colours are used; a palette makes the file a third as large
    image = Image.open(buffer).convert("RGB").quantize(_PALETTE)
    image.save(path, format="png", optimize=True)


def draw(outcome: Outcome) -> Figure:
    """The figure of one comparison, to be used under ``house_style``."""
    c = outcome.comparison
    rows = c.figure.x is None and c.size <= MAX_ROWS
    labels = row_labels(c) if rows else []
    body_in = 0.75 + 0.19 * sum(1 + text.count("\n") for text in labels) if rows else 3.3
    figure, axes, legend_top = _canvas(outcome, max(body_in, 1.1))
    if rows:
        handles = draw_rows(axes, outcome, labels)
    elif c.figure.x is None:
        handles = draw_scatter(axes, outcome)
    else:
        handles = draw_against(axes, outcome, c.figure.x)
    _legend(figure, handles, legend_top)
    return figure


# --- frame ----------------------------------------------------------------------------------


def _canvas(outcome: Outcome, body_in: float) -> tuple[Figure, Axes, float]:
    """Figure with title and verdict, its axes, and the height at which the legend starts."""
    title = textwrap.wrap(outcome.comparison.title, _TITLE_WIDTH)
    verdict = textwrap.wrap(_verdict_line(outcome), _TITLE_WIDTH + 24)
    legend_rows = 2 if outcome.comparison.figure.group else 1
    head_in = 0.10 + _LINE_IN * (len(title) + len(verdict)) + 0.24 * legend_rows
    height = body_in + head_in
    figure = Figure(figsize=(WIDTH_IN, height))
    figure.set_layout_engine("constrained", rect=(0.012, 0.0, 0.98, 1.0 - head_in / height))
    top = 1.0 - 0.06 / height
    figure.text(0.010, top, "\n".join(title), ha="left", va="top", fontsize=9.5, weight="bold")
    below = top - _LINE_IN * len(title) / height
    colour = VERMILLION if outcome.verdict.word == "fails" else GREY
    figure.text(0.010, below, "\n".join(verdict), ha="left", va="top", fontsize=8.5, color=colour)
    return figure, figure.subplots(), below - (_LINE_IN * len(verdict) + 0.01) / height


def _verdict_line(outcome: Outcome) -> str:
    """``fails: rms error 0.54 m/s; mark: rms error at most 0.5 m/s``."""
    word = outcome.verdict.word
    if outcome.verdict.met and outcome.verdict.reason:
        word += f" ({outcome.verdict.reason})"
    text = f"{word}: {result_text(outcome)}"
    if outcome.comparison.mark is not None:
        text += f"; mark: {limit_text(outcome.comparison.mark, outcome.comparison.unit)}"
    return text


def _legend(figure: Figure, handles: Handles, top: float) -> None:
    figure.legend(
        handles,
        [str(handle.get_label()) for handle in handles],
        loc="upper left",
        bbox_to_anchor=(0.010, top),
        ncols=4,
        borderaxespad=0.0,
        borderpad=0.15,
        labelspacing=0.3,
        columnspacing=1.6,
        handletextpad=0.6,
    )
