"""The normal observation of a group's mean that its limited rows stand for, by matching moments."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.inference.limits import Groups, Limited
from reconcile.vocabulary.quantities import FloatArray

_WIDEST = 1e3  # standard deviations of one row: a site no narrower says nothing
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(24)
_LOG_WEIGHTS = np.log(_WEIGHTS) + 0.5 * _NODES**2  # for a density that is not divided by the normal one
_LEAST_PRECISION = 1e-8  # of what the rest says of a group's mean, in dB⁻²
_LEAST_VARIANCE = 1e-12  # dB²: a likelihood so sharp that quadrature sees one point of it
_MOST_STEPS = 40
_STILL = 1e-9  # dB: a step of Newton's method after which another changes nothing


@dataclass(frozen=True, slots=True)
class Sites:
    """One normal observation for each group; `log_scale` is what its density lacks to the rows' likelihood, summed."""

    response: FloatArray
    variance: FloatArray
    limited: NDArray[np.intp]  # the groups with limited rows: the others' sites are their means, and stay
    rows: Groups  # of those groups alone
    log_scale: float

    def still(self, response: FloatArray, tolerance: float) -> bool:
        """Whether the sites have hardly moved from some earlier responses, in view of their own width."""
        moved = np.abs(self.response - response) / np.maximum(1.0, np.sqrt(self.variance))
        return float(moved.max(initial=0.0)) < tolerance


def first_sites(groups: Groups, X: FloatArray) -> Sites:
    """Where to start: group means where rows are known, else a line through those, held to the limits."""
    known = groups.number > 0
    line = X @ np.linalg.lstsq(X[known], groups.mean[known], rcond=None)[0]
    ceiling, floor = np.full(groups.n, np.inf), np.full(groups.n, -np.inf)
    np.minimum.at(ceiling, groups.limited.group, groups.limited.high)
    np.maximum.at(floor, groups.limited.group, groups.limited.low)
    means = np.where(known, groups.mean, np.maximum(np.minimum(line, ceiling), floor))
    evidence = groups.evidence(means)
    curvature = np.maximum(evidence.curvature, (groups.row_sd * _WIDEST) ** -2.0)
    limited = np.unique(groups.limited.group)
    return Sites(means + evidence.slope / curvature, 1.0 / curvature, limited, _only(groups, limited), 0.0)


def _only(groups: Groups, chosen: NDArray[np.intp]) -> Groups:
    """Some of the groups, renumbered, with their limited rows."""
    place = np.full(groups.n, -1, dtype=np.intp)
    place[chosen] = np.arange(chosen.size)
    rows = groups.limited
    if (place[rows.group] < 0).any():
        own = place[rows.group] >= 0
        rows = Limited(rows.group[own], rows.low[own], rows.high[own], rows.count[own])
    return Groups(
        groups.number[chosen],
        groups.mean[chosen],
        groups.row_sd[chosen],
        groups.worth[chosen],
        Limited(place[rows.group], rows.low, rows.high, rows.count),
    )


def renewed(groups: Groups, sites: Sites, mean: FloatArray, variance: FloatArray) -> Sites:
    """The sites after one sweep, from the posterior mean and variance of all groups under the present ones.

    Each site is taken out of its group's posterior; what is left (the cavity) times the rows' likelihood has a mean and
    a variance, by Gauss-Hermite quadrature about its mode; the new site is what gives the cavity these.
    """
    k = sites.limited
    if not k.size:
        return sites
    precision = 1.0 / variance[k] - 1.0 / sites.variance[k]
    alone = precision < _LEAST_PRECISION  # the rest says nothing of the group: its coefficients rest on it
    precision = np.where(alone, _LEAST_PRECISION, precision)
    cavity = (mean[k] / variance[k] - sites.response[k] / sites.variance[k]) / precision
    cavity = np.where(alone, sites.response[k], cavity)
    log_mass, tilted_mean, tilted_variance = _tilted(sites.rows, cavity, precision)
    narrowest = (sites.rows.row_sd * _WIDEST) ** -2.0
    site_precision = np.maximum(1.0 / np.maximum(tilted_variance, _LEAST_VARIANCE) - precision, narrowest)
    response, site_variance = sites.response.copy(), sites.variance.copy()
    site_variance[k] = 1.0 / site_precision
    response[k] = cavity + (tilted_mean - cavity) * (1.0 + precision * site_variance[k])
    total = site_variance[k] + 1.0 / precision
    density = -0.5 * (np.log(2.0 * math.pi * total) + (response[k] - cavity) ** 2 / total)
    return Sites(response, site_variance, k, sites.rows, float((log_mass - density).sum()))


def _tilted(rows: Groups, cavity: FloatArray, precision: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Logarithm of the mass, mean and variance of cavity density times likelihood, for each group."""
    mode = _mode(rows, cavity, precision)
    width = 1.0 / np.sqrt(rows.evidence(mode).curvature + precision)
    at = mode + width * _NODES[:, None]
    logs = rows.log_likelihood(at)
    logs += 0.5 * np.log(precision / (2.0 * math.pi)) - 0.5 * precision * (at - cavity) ** 2
    logs += _LOG_WEIGHTS[:, None] + np.log(width)
    top = logs.max(axis=0)
    shares = np.exp(logs - top)
    mass = shares.sum(axis=0)
    mean = (shares * at).sum(axis=0) / mass
    return top + np.log(mass), mean, (shares * (at - mean) ** 2).sum(axis=0) / mass


def _mode(rows: Groups, cavity: FloatArray, precision: FloatArray) -> FloatArray:
    """Where cavity density times likelihood is greatest: Newton's method, each step held to four of its widths."""
    means = np.where(rows.number > 0, rows.mean, cavity)
    moving = np.arange(means.size)  # most groups stand still long before the last does: their rows cost no more
    for _ in range(_MOST_STEPS):
        at = means[moving]
        evidence = rows.evidence(at)
        curvature = evidence.curvature + precision[moving]
        most = 4.0 / np.sqrt(curvature)
        step = np.clip((evidence.slope + precision[moving] * (cavity[moving] - at)) / curvature, -most, most)
        means[moving] = at + step
        if float(np.abs(step).max(initial=0.0)) < 1e-6:
            break
        still = np.abs(step) < _STILL
        if 2 * int(still.sum()) >= still.size:
            rows, moving = _only(rows, np.flatnonzero(~still)), moving[~still]
    return means
