"""One strike drawn: pressure and cumulative energy at each station, with background, window, 5 and 95 % points."""

from __future__ import annotations

from collections.abc import Mapping
from io import BytesIO

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from reconcile.audit.second_route import StrikeSamples
from reconcile.report.figures.style import CURVE, INK, MUTED, dress, house_style
from reconcile.report.figures.svg import plain
from reconcile.vocabulary.quantities import FloatArray

FORMATS = ("svg", "png", "pdf")
_WINDOW, _QUIET, _POINT = "#0072b2", "#b97f00", "#d55e00"
_MARGIN_S = 0.03
_MOST_POINTS = 4000  # of a line; beyond it extremes of groups are drawn


def strike_figure(strike_id: str, samples: Mapping[str, StrikeSamples], form: str) -> bytes:
    """The drawing as a file of one of FORMATS: a row for each station, pressure left, energy right."""
    with house_style():
        figure = Figure(figsize=(9.5, 2.7 * len(samples) + 0.5), layout="constrained")
        figure.suptitle(plain(f"Strike {strike_id}"), color=INK, fontsize=10)
        grid = figure.subplots(len(samples), 2, squeeze=False)
        for (left, right), (station_id, sound) in zip(grid, samples.items(), strict=True):
            dress(left)
            dress(right)
            _pressure(left, station_id, sound)
            _energy(right, sound)
        stream = BytesIO()
        dates = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(form, {})
        figure.savefig(stream, format=form, dpi=150, metadata=dates)
    return stream.getvalue()


def _milliseconds(sound: StrikeSamples, sample: float) -> float:
    return (sample - sound.window[0]) * 1000.0 / sound.rate_hz


def _pressure(axes: Axes, station_id: str, sound: StrikeSamples) -> None:
    """Pressure from the background before the strike to the end of the window."""
    begin = sound.quiet[0] if sound.quiet else sound.window[0]
    margin = round(_MARGIN_S * sound.rate_hz)
    first, last = max(0, begin - margin), min(len(sound.pressure_pa), sound.window[1] + margin)
    at, values = _thinned(np.arange(float(first), float(last)), sound.pressure_pa[first:last])
    for stretch, colour, name in ((sound.quiet, _QUIET, "background"), (sound.window, _WINDOW, "pulse interval")):
        if stretch is not None:
            axes.axvspan(*(_milliseconds(sound, s) for s in stretch), color=colour, alpha=0.14, lw=0, label=name)
    axes.plot([_milliseconds(sound, s) for s in at], values, color=INK, linewidth=0.6)
    _points(axes, sound)
    axes.set_title(plain(station_id, 60), loc="left", fontsize=9, color=INK)
    axes.set_xlabel("time from the start of the pulse interval / ms")
    axes.set_ylabel("sound pressure / Pa")
    axes.legend(loc="upper right", fontsize=7.5, frameon=False)


def _energy(axes: Axes, sound: StrikeSamples) -> None:
    """Share of the energy, background subtracted, that has arrived."""
    total = sound.subtracted_pa2_s
    if total <= 0:
        axes.text(0.5, 0.5, "no energy above the background", transform=axes.transAxes, ha="center", color=MUTED)
        return
    share = 100.0 * sound.cumulated_pa2_s / total
    at, values = _thinned(np.arange(*sound.window, dtype=np.float64), share)
    axes.plot([_milliseconds(sound, s) for s in at], values, color=CURVE, linewidth=1.2)
    for level in (5.0, 95.0):
        axes.axhline(level, color=_POINT, linewidth=0.7, linestyle=":")
    _points(axes, sound)
    axes.set_xlabel("time from the start of the pulse interval / ms")
    axes.set_ylabel("energy that has arrived / %")


def _points(axes: Axes, sound: StrikeSamples) -> None:
    for moment, name, side in zip(sound.energy_times_s or (), ("5 % ", " 95 %"), ("right", "left"), strict=False):
        axes.axvline(moment * 1000.0, color=_POINT, linewidth=0.8, linestyle="--")
        place = axes.get_xaxis_transform()
        axes.text(moment * 1000.0, 1.0, name, color=_POINT, fontsize=7, ha=side, va="bottom", transform=place)


def _thinned(at: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Of long lines the least and the largest value of each group, so that peaks stay."""
    size = len(values) // (_MOST_POINTS // 2)
    if size < 2:
        return at, values
    groups = values[: len(values) // size * size].reshape(-1, size)
    offsets = np.arange(len(groups)) * size
    kept = np.unique(np.concatenate([[0, len(values) - 1], offsets + groups.argmin(1), offsets + groups.argmax(1)]))
    return at[kept], values[kept]
