"""Figures of a result, each as SVG and PNG, built without a display and without global state."""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from matplotlib.figure import Figure

from wakesim.outputs.figures import (
    cross_section,
    distribution,
    drift,
    energy,
    hours,
    mounting_map,
    series,
    signature,
    spectrum,
    split,
    tables,
    uncertainty,
)
from wakesim.outputs.figures.style import house_style
from wakesim.results import GridResult, LookupResult, MapResult, PassTableResult

if TYPE_CHECKING:
    from wakesim.energy.study import EnergyResult
    from wakesim.results import MountResult, Result

PNG_DPI = 150
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


def drawings(result: Result) -> Iterator[Drawing]:
    """Every figure the result gives, mount by mount. Use inside ``house_style()``."""
    for prefix, mount in zip(slugs(result), result.mounts, strict=True):
        for kind, caption, build in _builders(result, mount):
            yield Drawing(f"{prefix}-{kind}", kind, mount.mount.name, caption, build())


def grid_drawings(result: GridResult) -> Iterator[Drawing]:
    """Every figure of a study of many states. Use inside ``house_style()``."""
    if isinstance(result, MapResult):
        caption = mounting_map.map_caption(result)
        yield Drawing("map", "map", "", caption, mounting_map.draw_map(result))
        if result.set_back.shape[1] > 1:
            caption = mounting_map.set_back_caption(result)
            yield Drawing("set-back", "set-back", "", caption, mounting_map.draw_set_back(result))
    elif isinstance(result, LookupResult):
        yield Drawing("axes", "axes", "", tables.lookup_caption(result), tables.draw_lookup(result))
    elif isinstance(result, PassTableResult):
        caption = tables.pass_caption(result)
        yield Drawing("passes", "passes", "", caption, tables.draw_passes(result))


def render_figures(result: Result | GridResult, folder: Path) -> list[Rendered]:
    """Write every figure into ``folder`` as SVG and PNG; OSError when a file cannot be written."""
    if isinstance(result, GridResult):
        return render(lambda: grid_drawings(result), folder)
    return render(lambda: drawings(result), folder)


def render(make: Callable[[], Iterator[Drawing]], folder: Path) -> list[Rendered]:
    """Write the drawings, built in the house style, into ``folder`` as SVG and PNG."""
    rendered = []
    with house_style(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        for drawing in make():
            svg = folder / f"{drawing.stem}.svg"
            freeze_layout(drawing.figure)
            drawing.figure.savefig(svg, format="svg", metadata=_METADATA)
            text = tidy_svg(svg.read_text(encoding="utf-8"))
            svg.write_text(text, encoding="utf-8")
            drawing.figure.savefig(
                folder / f"{drawing.stem}.png",
                format="png",
                dpi=PNG_DPI,
                metadata={"Software": None},
            )
            rendered.append(
                Rendered(drawing.stem, drawing.kind, drawing.mount, drawing.caption, text)
            )
    return rendered


def freeze_layout(figure: Figure) -> None:
    """Lay the figure out once and round the places of its axes.

    The layout solver's last digits differ from run to run, and an SVG's identifiers are hashes of
    such places; rounded, the same result gives the same bytes, and SVG and PNG look alike.
    """
    figure.draw_without_rendering()
    figure.set_layout_engine("none")
    for axes in figure.axes:
        left, bottom, width, height = axes.get_position(original=True).bounds
        axes.set_position((round(left, 4), round(bottom, 4), round(width, 4), round(height, 4)))


def tidy_svg(svg: str) -> str:
    """Shorter and portable: coordinates to 0.01 point, no document type, common fonts."""
    svg = re.sub(r"<!DOCTYPE.*?>\s*", "", svg, count=1, flags=re.DOTALL)
    svg = re.sub(r"font-family: [^;\"]*", f"font-family: {_FONTS}", svg)
    return re.sub(r'(?<=\sd=")[^"]*', lambda path: re.sub(r"(\.\d\d)\d+", r"\1", path.group()), svg)


def slugs(result: Result) -> list[str]:
    """A file-name part for each mount: letters, digits and hyphens, unique."""
    names: list[str] = []
    for number, mount in enumerate(result.mounts, start=1):
        slug = re.sub(r"[^a-z0-9]+", "-", mount.mount.name.lower()).strip("-")[:40] or "mount"
        while slug in names:
            slug = f"{slug}-{number}"
        names.append(slug)
    return names


def _finite(*shares: Mapping[str, float]) -> bool:
    """Whether every table has entries and all of them are numbers (air at rest has no shares)."""
    return all(table and all(map(math.isfinite, table.values())) for table in shares)


def _builders(
    result: Result, mount: MountResult
) -> Iterator[tuple[str, str, Callable[[], Figure]]]:
    """Kind, caption and builder of the figures this mount has data for."""
    yield (
        "cross-section",
        cross_section.caption(result, mount),
        partial(cross_section.draw, result, mount),
    )
    if mount.signatures:
        yield "signature", signature.caption(result, mount), partial(signature.draw, result, mount)
    values = mount.statistics
    if values is None:
        return
    for kind, module, wanted in (
        ("series", series, len(values.series.time_s) > 1),
        ("distribution", distribution, len(values.series.time_s) > 1),
        ("split", split, _finite(values.by_mechanism, values.by_class)),
        ("drift", drift, values.drift is not None),
        ("hours", hours, len(values.hourly) > 1),
        ("uncertainty", uncertainty, len(values.variants) > 0),
        ("spectrum", spectrum, len(values.spectrum_hz) > 1),
    ):
        if wanted:
            yield kind, module.caption(result, mount), partial(module.draw, result, mount, values)
    if mount.energy is not None:
        yield from _energy_builders(result, mount, mount.energy)


def _energy_builders(
    result: Result, mount: MountResult, found: EnergyResult
) -> Iterator[tuple[str, str, Callable[[], Figure]]]:
    own = (result, mount, found)
    yield "energy", energy.power_caption(result, mount), partial(energy.draw_power, *own)
    if found.uncertainty is not None:
        caption = energy.uncertainty_caption(found.uncertainty)
        draw = partial(energy.draw_uncertainty, result, mount, found.uncertainty)
        yield "yield-uncertainty", caption, draw
    if found.rotor.power_curve is None:
        yield "capture", energy.capture_caption(found), partial(energy.draw_capture, *own)
    if found.loads:
        yield "loads", energy.loads_caption(found), partial(energy.draw_loads, *own)
