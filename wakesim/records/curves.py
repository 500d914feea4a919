"""Curves of both records: how often each speed is exceeded, and spectra in bands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from wakesim.arrays import Array
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.model_range import ModelRange
from wakesim.records.statistics import Exceedance, exceedance, record_spectrum

SEGMENTS_S = (60.0, 30.0, 10.0)  # the first that the record's unbroken stretches allow
_SPEEDS = 41
_BANDS_PER_DECADE = 10
_NORMAL_90 = 1.6449


@dataclass(frozen=True)
class Curves:
    """Exceedance at ``speed_m_s`` (m,) and spectrum of ``channel`` in bands (b,), m2/s2/Hz.

    ``record`` and ``model`` exceedances carry their sampling intervals, ``share_range`` (2, m) and
    ``model_range`` (2, b) the model interval (NaN until ``with_range``). ``relative_error`` is half
    the 90 % interval of the record's density over the density, (b,). ``residual`` is the spectrum
    of record less modelled mean, and ``model_residual`` that of model less the same, None without
    a log. With no stretch long enough all spectra are empty.
    """

    speed_m_s: Array
    record: Exceedance
    model: Exceedance
    share_range: Array
    channel: str
    segment_s: float
    frequency_hz: Array
    record_density: Array
    relative_error: Array
    model_density: Array
    model_range: Array
    residual: Array | None
    model_residual: Array | None

    def of_model(self, record: AnemometerRecord) -> Array:
        """The curves' ordinates (m + b,) of a modelled record."""
        speed = np.sort(record.speed_m_s)
        share = 1.0 - np.searchsorted(speed, self.speed_m_s, side="right") / speed.size
        if not self.frequency_hz.size:
            return share
        return np.concatenate(
            [share, _bands(record, _channel(record, self.channel), self.segment_s)[1]]
        )

    def with_range(self, spread: ModelRange, skip: int) -> Curves:
        """The curves with the model interval, whose changes begin at number ``skip``."""
        down, up = spread.down[skip:], spread.up[skip:]
        m = self.speed_m_s.size
        shares = np.array([self.model.share - down[:m], self.model.share + up[:m]])
        bands = np.array([self.model_density - down[m:], self.model_density + up[m:]])
        return replace(
            self, share_range=np.clip(shares, 0.0, 1.0), model_range=np.maximum(bands, 0.0)
        )


def curves(
    record: AnemometerRecord,
    models: Sequence[AnemometerRecord],
    block_s: float,
    components: bool,
    expected: dict[str, Array] | None,
    whole: AnemometerRecord,
) -> Curves:
    """Curves of the record and of draws of the model.

    ``expected`` holds the model's mean channels at the samples of ``whole``, the record before any
    slow wind was taken off.
    """
    top = max(float(record.speed_m_s.max()), *(float(m.speed_m_s.max()) for m in models))
    speeds = np.linspace(0.0, top, _SPEEDS)
    mine = exceedance(record, speeds, block_s=block_s)
    drawn = [exceedance(m, speeds, block_s=block_s) for m in models]
    theirs = Exceedance(speeds, *(np.mean([d[i] for d in drawn], axis=0) for i in (1, 2, 3)))
    channel = "u" if components else "speed"
    empty = np.zeros(0)
    out = Curves(
        speeds, mine, theirs, np.full((2, speeds.size), np.nan), channel, np.nan, empty, empty,
        empty, empty, np.zeros((2, 0)), None, None,
    )  # fmt: skip
    for segment in SEGMENTS_S:
        try:
            frequency, density, error = _bands(record, _channel(record, channel), segment)
            model = np.mean([_bands(m, _channel(m, channel), segment)[1] for m in models], axis=0)
        except ValueError:
            continue
        out = replace(
            out, segment_s=segment, frequency_hz=frequency, record_density=density,
            relative_error=error, model_density=model, model_range=np.full((2, model.size), np.nan),
        )  # fmt: skip
        if expected is not None and record.time_s.size == whole.time_s.size:
            rest = _channel(whole, channel) - expected[channel]
            left = _channel(models[0], channel) - expected[channel]
            out = replace(
                out,
                residual=_bands(whole, rest, segment)[1],
                model_residual=_bands(models[0], left, segment)[1],
            )
        break
    return out


def _channel(record: AnemometerRecord, name: str) -> Array:
    values = record.u_m_s if name == "u" else record.speed_m_s
    assert values is not None
    return values


def _bands(record: AnemometerRecord, values: Array, segment_s: float) -> tuple[Array, Array, Array]:
    """Centre (Hz), density and relative half interval of bands of a channel's spectrum."""
    found = record_spectrum(record, values, segment_s)
    frequency, density = found.frequency_hz[1:-1], found.density[1:-1]
    number = np.floor(_BANDS_PER_DECADE * np.log10(frequency / frequency[0]) + 1e-9)
    _, band = np.unique(number, return_inverse=True)
    count = np.bincount(band)
    centre = np.exp(np.bincount(band, np.log(frequency)) / count)
    error = _NORMAL_90 / np.sqrt(found.segments * count)
    return centre, np.bincount(band, density) / count, error
