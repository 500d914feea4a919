"""comparison.html: one file that needs no network, the verdicts first; and the lines printed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from wakesim.outputs import wording
from wakesim.outputs.figures import Rendered
from wakesim.outputs.page import environment, inline_svg, provenance_rows
from wakesim.outputs.wording import interval, number, place, significant
from wakesim.records import words
from wakesim.records.alignment import Alignment, axes_words
from wakesim.records.comparison import Comparison
from wakesim.records.comparison_files import method, provenance
from wakesim.records.fit import FitResult

_TEMPLATES = Path(__file__).resolve().parent / "templates"


def write_report(
    result: Comparison, figures: Sequence[Rendered], left_out: Sequence[str], path: Path
) -> None:
    """Write the report; ``left_out``: constants that the fitted case could not take.

    Raises OSError when the file cannot be written.
    """
    text = (
        environment(_TEMPLATES)
        .get_template("comparison.html.j2")
        .render(
            c=result,
            answer=answer(result),
            inputs=_inputs(result),
            figures={
                f.stem: {"svg": inline_svg(f.svg, f"{f.stem}-", f.caption), "caption": f.caption}
                for f in figures
            },
            needs_log=() if result.inputs.log is not None else words.NEEDS_LOG,
            fit_notes=fit_notes(result.fit, left_out) if result.fit else (),
            method=method(result),
            limits=words.LIMITS,
            cautions=wording.CAUTIONS,
            provenance=provenance_rows(provenance(result), ("case_text",)),
            ends=ends,
            value=lambda v: "–" if v is None else number(v),
        )
    )
    path.write_text(text, encoding="utf-8")


def ends(values: tuple[float, float] | None) -> str:
    """An interval for reading; a dash when it is not known."""
    if values is None or not all(map(math.isfinite, values)):
        return "–"
    return interval(values, 2)


def answer(result: Comparison) -> list[str]:
    """What came out, in plain sentences."""
    counts: dict[str, int] = {}
    for judgement in result.judgements:
        counts[judgement.verdict] = counts.get(judgement.verdict, 0) + 1
    total = len(result.judgements)
    parts = [
        f"{text} {counts[key]}"
        for key, text in (
            ("too low", "model too low"),
            ("too high", "model too high"),
            ("agrees", "agreement within the intervals"),
            ("cannot be judged", "cannot be judged"),
        )
        if key in counts
    ]
    out = [f"Of {total} quantities: {', '.join(parts)}."]
    if result.inputs.other_instrument:
        out.append(f"Take care: {result.inputs.other_instrument}.")
    main = next(j for j in result.judgements if j.key == "effective_speed")
    out.append(
        f"{main.words.capitalize()}: record {significant(main.record)} m/s "
        f"({interval(main.record_interval, 3)}), model {significant(main.model)} m/s; {main.text}."
    )
    if result.clock is not None:
        out.append(_clock_words(result))
    else:
        out.append(
            "Without a passing log only statistics of other, simulated vehicles could be compared: "
            "a difference may be the traffic's as well as the model's."
        )
    out.append(words.AMBIENT_WORDS[result.ambient])
    return out


def _clock_words(result: Comparison) -> str:
    clock = result.clock
    assert clock is not None
    low, high = clock.offset_interval_s
    found = (
        f"{number(clock.clock.offset_s)} s ({number(low)} to {number(high)}; correlation "
        f"{number(clock.correlation)})"
    )
    if clock.significant:
        begin = "Clocks agree: the" if low <= 0.0 <= high and not clock.clock.rate else "The"
        return (
            f"{begin} record's clock is ahead of the log's by {found}; taken out.{_drift(clock)}"
            f"{_axes(clock)}{_times(result)}"
        )
    return (
        f"NO MATCH of the clocks of log and record: the best offset, {found}, is not significant "
        "and was not applied."
    )


def _drift(clock: Alignment) -> str:
    rate = 1e6 * clock.clock.rate
    if not rate:
        return ""
    low, high = (1e6 * end for end in clock.rate_interval)
    side = "gains" if rate > 0.0 else "loses"
    ends = sorted((abs(low), abs(high)))
    return f" It {side} {abs(rate):.0f} ppm ({ends[0]:.0f} to {ends[1]:.0f}); taken out."


def _axes(clock: Alignment) -> str:
    words = axes_words(clock.axes)
    return f" The passes show that {words}; put right." if words else ""


def _times(result: Comparison) -> str:
    error = result.time_error
    if error is None:
        return ""
    origin = {
        "given": "as given",
        "record": f"found from the record, {ends(error.interval_s)} s",
        "stamps": "the rounding of its stamps",
    }[error.origin]
    size = significant(error.sd_s, 2)
    return f" Single times of the log are off by {size} s (standard deviation; {origin})."


def fit_notes(fit: FitResult, left_out: Sequence[str]) -> list[str]:
    """What the fit says about itself."""
    out = [
        f"The mean of the fitted model makes up {100 * fit.explained:.0f} % of the record's "
        "variance, slow wind aside; most of the rest is turbulence, which no mean can.",
        *fit.notes,
    ]
    out += [f"not written to fitted-case.toml: {text}" for text in left_out]
    return [*out, words.FITTED_CAUTION]


def _inputs(result: Comparison) -> list[tuple[str, str]]:
    inputs, record = result.inputs, result.inputs.record
    mount, instrument = inputs.mount, inputs.instrument
    start = "seconds on the logger's clock" if record.start is None else f"{record.start}"
    rows = [
        ("record", f"{record.path}, {start}"),
        (
            "samples",
            f"{result.record.speed_m_s.size} of {record.speed_m_s.size} compared, step "
            f"{significant(record.dt_s)} s, {number(100 * record.gap_share, 1)} % missing, "
            + ("components u and v" if result.curves.channel == "u" else "speed alone"),
        ),
        (
            "place",
            f"mount {mount.name}: y = {place(mount.offset_m)} m from the near edge line, "
            f"{place(mount.height_m)} m above the road",
        ),
        ("instrument", _instrument(instrument.model_dump(exclude_defaults=True))),
    ]
    if inputs.second is not None:
        at = inputs.second.mount
        where = f"y = {place(at.offset_m)} m, {place(at.height_m)} m above the road"
        rows.append(("second anemometer", f"{inputs.second.record.path}: {where}"))
    wind = result.case.air.wind
    if inputs.mast is not None and wind is not None:
        mean = f"{number(wind.speed_m_s)} m/s towards {number(wind.angle_deg, 0)}°"
        height = place(inputs.mast.height_m)
        text = f"{inputs.mast.record.path}: {height} m high; {mean} (0°: along +x)"
        rows.append(("ambient mast", text))
    if inputs.log is not None:
        counts = ", ".join(f"{n} {name}" for name, n in inputs.log.counts.items())
        rows.append(("passing log", f"{inputs.log.path}: {counts}"))
    else:
        hours = ", ".join(str(h) for h in result.hours)
        rows.append(
            (
                "simulated traffic",
                f"{number(result.simulated_s / 3600.0, 1)} h of the case's traffic, clock hours "
                f"{hours}",
            )
        )
    model = result.case.model
    rows.append(
        (
            "model",
            f"{wording.WAKE_LAWS[model.wake_law]}; weak_shear_mixing "
            f"{model.weak_shear_mixing:g}, couple_spread {model.couple_spread:g}, "
            f"momentum_spread {model.momentum_spread:g}, turbulence_factor "
            f"{model.turbulence_factor:g}",
        )
    )
    rows.append(
        (
            "intervals",
            f"{result.pair.blocks} blocks of {number(result.pair.block_s, 0)} s or more",
        )
    )
    return rows


def _instrument(values: Mapping[str, Any]) -> str:
    return ", ".join(f"{key} = {value}" for key, value in values.items())


def printed(result: Comparison, left_out: Sequence[str], folder: Path, files: int) -> list[str]:
    """The comparison in a few plain lines for the terminal."""
    lines = [f"{result.case.title}: {result.inputs.record.path}"]
    if result.case.invented_data:
        lines.append(wording.INVENTED_BANNER)
    lines += answer(result)
    lines.append("")
    for j in result.judgements:
        unit = "" if j.unit == "1" else f" {j.unit}"
        lines.append(
            f"  {j.words}: record {significant(j.record)}, model {significant(j.model)}{unit}"
        )
        lines.append(f"    {j.text}")
    for p in result.points:
        shown = ", ".join(
            f"{name.replace('_', ' ')} {'–' if v is None else number(v)}"
            for name, v in p.values.items()
        )
        lines.append(f"  {p.words} (n = {p.measured.size}): {shown}")
    if result.fit is not None:
        lines += ["", "Fitted constants (90 %):"]
        for f in result.fit.constants.values():
            lines.append(
                f"  {f.name} {significant(f.value)} ({ends((f.low, f.high))}), case "
                f"{significant(f.case_value)}: {f.status}"
            )
        lines += [f"  - {text}" for text in fit_notes(result.fit, left_out)]
    if result.inputs.log is None:
        lines += ["", "Needs a passing log (--passes):", *(f"  - {t}" for t in words.NEEDS_LOG)]
    if result.notes:
        lines += ["", "Doubtful, left out or assumed:", *(f"  - {text}" for text in result.notes)]
    report = folder / "comparison.html"
    return [*lines, "", f"{files} files in {folder}; start with {report}", "", wording.CAUTION]
