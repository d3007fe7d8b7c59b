"""A matched filter on octave energies: how far each moment stands above its background as the onset of a known strike.

The template is the median of a station's own strikes, their energy in each octave and 5 ms. Each octave is correlated
with the template's course in it; octaves are added with the weights that are best for a faint strike of that spectrum
in this background (what the strike would add, relative to the background, over the variance of that). The sum of so
many squares is nearly a gamma variable, whose cube root is nearly normal (Wilson and Hilferty 1931, Proc. Natl. Acad.
Sci. 17, 684): its distance from the background's median in the background's standard deviations is the score.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.strikes.octaves import N_OCTAVES, STEPS
from reconcile.strikes.ticks import Samples
from reconcile.vocabulary.quantities import FloatArray

LEAD_STEPS = 4  # of a template before the onset
TEMPLATE_STEPS = 60
FEWEST_STRIKES = 5  # that make a template
_MOST_STRIKES = 200
_BACKGROUND_STEPS = 50, 10  # before the onset
APART_STEPS = 80  # the least distance between two strikes
_COARSE_STEPS = 20
_NEAR_SHARE = 0.75
_BEFORE_STEPS, _NEAR_STEPS = (100, 50), 2 * STEPS
_CHUNK_STEPS, _AROUND_STEPS = 10 * STEPS, (20 * STEPS, 60 * STEPS)
_THINNED = 4  # neighbouring steps are much alike
_FEWEST_QUIET, _ENOUGH_QUIET = 100, 1000  # thinned steps: 2 s and 20 s of background
_STANDS_OUT_ALREADY, _LOUD_REACH_STEPS = 6.0, 10
_DEFAULT_SPECTRUM = (0.25, 1.0, 1.0, 0.5, 0.25)
_DEFAULT_RISE_STEPS, _DEFAULT_DECAY_STEPS = 2, 10.0
Quiet = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Quantiles:
    """By which a background is known: two that are `apart` standard deviations apart, one two deviations up."""

    low: float
    middle: float
    apart: float
    high: float | None


_LOW = _Quantiles(0.05, 0.25, 1.2816, None)  # a tenth and a half of the background where strikes fill half the time
_WHOLE = _Quantiles(0.15865525, 0.5, 1.0, 0.977249868)


@dataclass(frozen=True, slots=True)
class Template:
    """A strike's energy in each octave and 5 ms, shape (5, 60), sum 1; its onset lies in step LEAD_STEPS."""

    energy: FloatArray
    origin: str


def default_template() -> Template:
    """What is looked for where no station has heard enough: most energy from 75 to 300 Hz, decaying in 50 ms."""
    steps = np.arange(TEMPLATE_STEPS) - LEAD_STEPS
    rise = np.clip((steps + 1) / _DEFAULT_RISE_STEPS, 0.0, 1.0)
    course = rise * np.exp(-np.maximum(steps, 0) / _DEFAULT_DECAY_STEPS)
    energy = np.outer(_DEFAULT_SPECTRUM, course)
    return Template(energy / energy.sum(), "default")


def median_energy(windows: Sequence[FloatArray]) -> FloatArray | None:
    """The median strike of windows cut by `strike_window`, sum 1; None of too few."""
    if len(windows) < FEWEST_STRIKES:
        return None
    median = np.maximum(np.median(np.stack(windows), axis=0), 0.0)
    total = float(median.sum())
    return median / total if total > 0 else None


def strike_window(octaves: FloatArray, onset_step: int) -> FloatArray | None:
    """One strike of a template's length, background (250 to 50 ms before the onset) removed, sum 1; None at an edge."""
    first = onset_step - LEAD_STEPS
    before = octaves[:, max(0, onset_step - _BACKGROUND_STEPS[0]) : max(0, onset_step - _BACKGROUND_STEPS[1])]
    window = octaves[:, max(0, first) : first + TEMPLATE_STEPS].astype(np.float64)
    if first < 0 or window.shape[1] < TEMPLATE_STEPS or before.shape[1] < _BACKGROUND_STEPS[1]:
        return None
    window -= before.mean(axis=1, dtype=np.float64)[:, None]
    total = float(window.sum())
    return window / total if total > 0 else None


def scores(
    octaves: FloatArray | Samples, quiet: Quiet, template: Template, chunk_steps: int = _CHUNK_STEPS
) -> FloatArray:
    """Score of a strike whose onset lies in each step, shape (steps,); -inf where nothing was recorded.

    `quiet` is true for steps that hold background as far as is known. The background's statistics come from the
    steps within `chunk_steps` and 20 s to either side (60 s where that leaves little) whose whole template lies in
    quiet ones, less what stands out already by the lower half of the values: strikes that nobody knows of yet would
    widen the background they are held against.
    """
    n = octaves.shape[1]
    result = np.full(n, -np.inf)
    if n < TEMPLATE_STEPS:
        return result
    course = template.energy / np.maximum(template.energy.sum(axis=1, keepdims=True), 1e-30)
    filtered = np.empty((N_OCTAVES, n - TEMPLATE_STEPS + 1))
    for octave, energy, row in zip(octaves, course, filtered, strict=True):
        row[:] = np.correlate(octave, energy, "valid")
    gained = (template.energy * course).sum(axis=1)  # what a strike adds to the filter's output at its onset
    recorded = _throughout(np.any(octaves > 0, axis=0))
    score = np.full(filtered.shape[1], -np.inf)
    background, anything = _throughout(quiet) & recorded, recorded.copy()
    for quantiles in (_LOW, _WHOLE):
        for first in range(0, filtered.shape[1], chunk_steps):
            chunk = slice(first, first + chunk_steps)
            for reach in _AROUND_STEPS:
                around = slice(max(0, first - reach), first + chunk_steps + reach, _THINNED)
                chosen = background[around]
                if chosen.sum() >= _ENOUGH_QUIET:
                    break
            if chosen.sum() < _FEWEST_QUIET:
                chosen = anything[around]
            if chosen.sum() >= _FEWEST_QUIET:
                score[chunk] = _score(filtered[:, chunk], filtered[:, around][:, chosen], gained, quantiles)
        loud = np.convolve(score > _STANDS_OUT_ALREADY, np.ones(2 * _LOUD_REACH_STEPS + 1), "same") > 0
        background &= ~loud
        anything &= ~loud
    score[~recorded] = -np.inf
    result[LEAD_STEPS : LEAD_STEPS + score.size] = score
    return result


def peaks(score: FloatArray, least: float, near: Sequence[int] = ()) -> list[int]:
    """Steps whose score is `least` or more, the largest within 400 ms, and that stand out in their surroundings, too.

    A score lies half of `least` above the largest from 500 to 250 ms before, and three quarters of `least` spreads
    above the usual ones within 2 s: a sound that grows, or one that has begun and goes on, is no strike. What lies
    within 400 ms of `near` is left out: strikes that are known.
    """
    found: list[int] = []
    known = np.array(near, dtype=np.int64)
    for i in _largest_around(score, least):
        if (found and i - found[-1] < APART_STEPS) or (known.size and np.abs(known - i).min() < APART_STEPS):
            continue
        before = score[max(0, i - _BEFORE_STEPS[0]) : max(0, i - _BEFORE_STEPS[1])]
        if before.size and score[i] - before.max() < least / 2:
            continue
        around = score[max(0, i - _NEAR_STEPS) : i + _NEAR_STEPS + 1]
        low, middle = _quantiles(around[np.isfinite(around)], _LOW.low, _LOW.middle)
        if score[i] - middle >= _NEAR_SHARE * least * max(float(middle - low), 1e-6):
            found.append(int(i))
    return found


def _largest_around(score: FloatArray, least: float) -> list[int]:
    """Steps with the largest score within 400 ms; coarse maxima of 100 ms first: they are few."""
    inner = np.flatnonzero((score[1:-1] >= least) & (score[1:-1] > score[:-2]) & (score[1:-1] >= score[2:])) + 1
    coarse = np.pad(score, (0, -len(score) % _COARSE_STEPS), constant_values=-np.inf).reshape(-1, _COARSE_STEPS)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(coarse.max(axis=1), 3, constant_values=-np.inf), 7)
    inner = inner[score[inner] >= around.max(axis=1)[inner // _COARSE_STEPS]]
    return [int(i) for i in inner if score[i] >= score[max(0, i - APART_STEPS) : i + APART_STEPS + 1].max()]


def _throughout(steps: Quiet) -> Quiet:
    """Whether a template that begins at a step lies in marked steps as a whole."""
    unmarked = np.concatenate([[0], np.cumsum(~steps)])
    return np.asarray(unmarked[TEMPLATE_STEPS:] == unmarked[:-TEMPLATE_STEPS])


def _score(filtered: FloatArray, background: FloatArray, gained: FloatArray, quantiles: _Quantiles) -> FloatArray:
    low, middle = _quantiles(background, quantiles.low, quantiles.middle)
    middle = np.maximum(middle, 1e-300)
    variance = np.maximum((1.0 - low / middle) / quantiles.apart, 1e-3) ** 2
    weights = gained / middle / variance
    weights = weights / max(float(weights.sum()), 1e-300) / middle
    usual = np.cbrt(weights @ background)
    if quantiles.high is None:
        below, centre = _quantiles(usual, quantiles.low, quantiles.middle)
        above = centre
    else:
        below, centre, above = _quantiles(usual, quantiles.low, quantiles.middle, quantiles.high)
    spread = max(float(centre - below) / quantiles.apart, float(above - centre) / 2.0)
    return np.asarray((np.cbrt(weights @ filtered) - centre) / max(spread, 1e-6))


def _quantiles(values: FloatArray, *shares: float) -> FloatArray:
    """Quantiles along the last axis, linear between neighbours, shape (shares, ...).

    What numpy's own gives, but for the time that it takes to prepare: many of few values are asked for.
    """
    position = np.array(shares) * (values.shape[-1] - 1)
    low = position.astype(np.int64)
    high = np.minimum(low + 1, values.shape[-1] - 1)
    ordered = np.partition(values, sorted({*low.tolist(), *high.tolist()}), axis=-1)
    found = ordered[..., low] + (ordered[..., high] - ordered[..., low]) * (position - low)
    return np.asarray(np.moveaxis(found, -1, 0))
