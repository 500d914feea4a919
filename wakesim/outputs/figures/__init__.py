"""Figures of a result, each as SVG and PNG, built without a display and without global state.

A module of this folder names its kinds of figure in ``FIGURES``; nothing else lists them. What
stands below one is in ``templates/captions.txt.j2``; the report shows it where its template says,
or after the others of the mount.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from wakesim.outputs.figures.style import Kind, house_style
from wakesim.outputs.page import sentences

PNG_DPI = 150
_PNG_DEFLATE = 3  # more takes twice as long, for files that are a tenth smaller
_FONTS = "'DejaVu Sans', Verdana, Arial, sans-serif"
_METADATA = {"Date": None, "Creator": None, "Format": None, "Type": None}


@dataclass(frozen=True)
class Rendered:
    """One figure as written: file name without ending, kind, mount and the SVG's text."""

    stem: str
    kind: str
    mount: str
    caption: str
    svg: str


@dataclass(frozen=True)
class Drawing:
    """One figure before it is written."""

    stem: str
    kind: str
    mount: str
    caption: str
    figure: Figure


@cache
def kinds() -> tuple[Kind, ...]:
    """Every kind of figure that a module of this folder names, in their order."""
    modules = (import_module(f"{__name__}.{one.name}") for one in iter_modules(__path__))
    named = [kind for module in modules for kind in getattr(module, "FIGURES", ())]
    return tuple(sorted(named, key=lambda kind: kind.order))


def drawings(result: Any) -> Iterator[Drawing]:
    """Every figure the result gives, mount by mount. Use inside ``house_style()``."""
    own = [kind for kind in kinds() if result.case.study in kind.studies]
    places: Iterable[tuple[str, Any]] = [("", None)]
    if hasattr(result, "mounts"):
        places = zip(slugs(result), result.mounts, strict=True)
    for prefix, mount in places:
        for kind in own:
            shown = _shown(kind, result, mount)
            if shown and kind.wanted(*shown):
                stem = f"{prefix}-{kind.name}" if prefix else kind.name
                name = "" if mount is None else mount.mount.name
                yield Drawing(stem, kind.name, name, caption(kind, *shown), kind.draw(*shown))


def caption(kind: Kind, result: Any, mount: Any = None, part: Any = None) -> str:
    """What stands below a figure, from the template of captions."""
    shown = [one for one in (result, mount, part) if one is not None]
    context = {"kind": kind.name, "result": result, "case": result.case, "part": part}
    return sentences("captions", **context, mount=mount, **kind.numbers(*shown))[0]


def _shown(kind: Kind, result: Any, mount: Any) -> tuple[Any, ...]:
    """What a figure is made from; empty where the mount has nothing of it."""
    if mount is None:
        return (result,)
    if not kind.part:
        return (result, mount)
    part = getattr(mount, kind.part)
    return () if part is None else (result, mount, part)


def render_figures(result: Any, folder: Path) -> list[Rendered]:
    """Write every figure into ``folder`` as SVG and PNG; OSError when a file cannot be written."""
    return render(lambda: drawings(result), folder)


def render(make: Callable[[], Iterator[Drawing]], folder: Path) -> list[Rendered]:
    """Write the drawings, built in the house style, into ``folder`` as SVG and PNG."""
    rendered = []
    with house_style(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        for drawing in make():
            freeze_layout(drawing.figure)
            svg, png = (folder / f"{drawing.stem}.{ending}" for ending in ("svg", "png"))
            _write_png(drawing.figure, png)
            written = io.StringIO()
            drawing.figure.savefig(written, format="svg", metadata=_METADATA)
            text = tidy_svg(written.getvalue())
            svg.write_text(text, encoding="utf-8")
            rendered.append(
                Rendered(drawing.stem, drawing.kind, drawing.mount, drawing.caption, text)
            )
    return rendered


def _write_png(figure: Figure, path: Path) -> None:
    """The figure as a PNG file: red, green and blue, without what shines through."""
    figure.set_dpi(PNG_DPI)
    canvas = _canvas(figure)
    canvas.draw()
    pixels = np.asarray(canvas.buffer_rgba())[:, :, :3]
    Image.fromarray(pixels).save(path, "PNG", dpi=(PNG_DPI, PNG_DPI), compress_level=_PNG_DEFLATE)


def _canvas(figure: Figure) -> FigureCanvasAgg:
    """The figure's canvas of pixels, which keeps the sizes of texts that it has measured."""
    canvas = figure.canvas
    return canvas if isinstance(canvas, FigureCanvasAgg) else FigureCanvasAgg(figure)


def freeze_layout(figure: Figure) -> None:
    """Lay the figure out once and round the places of its axes.

    The layout solver's last digits differ from run to run, and an SVG's identifiers are hashes of
    such places; rounded, the same result gives the same bytes, and SVG and PNG look alike. It is
    laid out in the pixels of the PNG, and without an engine nothing is drawn but what is written.
    Lines of axes take no room beside the labels of their ticks, and are not measured; no place is
    sought for names of axes that have none.
    """
    figure.set_dpi(PNG_DPI)
    _canvas(figure)
    for axes in figure.axes:
        for axis, side in ((axes.xaxis, "bottom"), (axes.yaxis, "left")):
            labelled = axis.get_tick_params().get(f"label{side}", True)
            axes.spines[side].set_in_layout(not labelled)
            if not axis.get_label_text():
                axis.set_label_coords(0.0, 0.0)
    engine = figure.get_layout_engine()
    if engine is not None and figure.axes:
        engine.execute(figure)
    figure.set_layout_engine(None)
    for axes in figure.axes:
        left, bottom, width, height = axes.get_position(original=True).bounds
        axes.set_position((round(left, 4), round(bottom, 4), round(width, 4), round(height, 4)))


def tidy_svg(svg: str) -> str:
    """Shorter and portable: coordinates to 0.01 point, no document type, common fonts."""
    svg = re.sub(r"<!DOCTYPE.*?>\s*", "", svg, count=1, flags=re.DOTALL)
    svg = re.sub(r"font-family: [^;\"]*", f"font-family: {_FONTS}", svg)
    return re.sub(r'(?<=\sd=")[^"]*', lambda path: re.sub(r"(\.\d\d)\d+", r"\1", path.group()), svg)


def slugs(result: Any) -> list[str]:
    """A file-name part for each mount: letters, digits and hyphens, unique."""
    names: list[str] = []
    for number, mount in enumerate(result.mounts, start=1):
        slug = re.sub(r"[^a-z0-9]+", "-", mount.mount.name.lower()).strip("-")[:40] or "mount"
        while slug in names:
            slug = f"{slug}-{number}"
        names.append(slug)
    return names
