"""The bias of some pairs as a function of range, with what piles, places and chains do to it.

    bias = b0 + b1·log10(R/R_ref) + pile + place + chain + what all chains share + rest

Pile and place spreads are estimated, the chain's and the common uncertainty are the stated ones. What all chains share
(the common part, the energy coefficient by which levels were moved) never averages out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.inference import Estimate, LinearFit, effective_degrees_of_freedom, fit_linear
from reconcile.inference.mixed import Structure, shared_covariance, structure
from reconcile.spreading.cells import LEAST_RESIDUAL_SD_DB, SPREAD_PRIOR
from reconcile.spreading.entries import small_sample
from reconcile.spreading.fitting import distinct_ranges
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.fit import Coefficient, Covariance, SmallSample
from reconcile.vocabulary.quantities import FloatArray

COEFFICIENTS = ("bias_at_reference_db", "spreading_bias_db_per_decade", "attenuation_bias_db_per_km")
_TREND_RANGES, _TREND_FACTOR = 3, 2.0  # distinct ranges, and the factor they must span, for a slope


@dataclass(frozen=True, slots=True)
class BiasFit:
    """The model fitted to some pairs; biases in dB, predicted minus measured."""

    reference_range_m: float
    linear: LinearFit
    mean: Estimate  # plain mean over the pairs
    at_reference: Estimate
    slope: Estimate | None  # per decade of range; None where the ranges do not allow one
    common_variance: float
    chain_variance: float = 0.0  # of a chain like those of the pairs: their mean

    @property
    def covariance(self) -> Covariance:
        """Of the three coefficients; zeros for those held at zero."""
        size = self.linear.coefficients.size
        matrix = np.zeros((3, 3))
        matrix[:size, :size] = self.linear.covariance
        matrix[0, 0] += self.common_variance
        return Covariance(names=COEFFICIENTS, matrix=tuple(tuple(row) for row in matrix.tolist()))

    @property
    def small_sample(self) -> SmallSample:
        """What intervals at other ranges need."""
        return small_sample(self.linear, tuple(range(self.linear.coefficients.size)), 3)

    @property
    def offset(self) -> Coefficient:
        return Coefficient(value=self.at_reference.value, standard_error=self.at_reference.standard_error)

    @property
    def spreading(self) -> Coefficient:
        """The slope; 0 with error 0 where none was estimated."""
        if self.slope is None:
            return Coefficient(value=0.0, standard_error=0.0)
        return Coefficient(value=self.slope.value, standard_error=self.slope.standard_error)

    def row(self, range_m: float) -> list[float]:
        """The contrast of the coefficients that is the bias at a range."""
        return [1.0, math.log10(range_m / self.reference_range_m)][: self.linear.coefficients.size]

    def at(self, range_m: float) -> Estimate:
        """The mean bias at a range."""
        return self.linear.contrast(self.row(range_m), self.common_variance)

    def change(self, from_m: float, to_m: float) -> Estimate | None:
        """How the mean bias changes from one range to another; None where no slope was estimated."""
        return None if self.slope is None else self.linear.contrast([0.0, math.log10(to_m / from_m)])

    def new_place(self, range_m: float) -> Estimate:
        """The bias that would be found for one further pile at one further place with a chain like these."""
        mean = self.linear.contrast(self.row(range_m))
        further = float(self.linear.variances.sum()) + LEAST_RESIDUAL_SD_DB**2 + self.chain_variance
        variance = mean.variance + further + self.common_variance
        row = np.array(self.row(range_m))
        gradient = np.einsum("i,kij,j->k", row, self.linear.gradients, row) + 1.0
        certainty = self.linear.covariance_of_variances
        degrees = effective_degrees_of_freedom(np.array([variance]), gradient[None, :], certainty)
        return Estimate(mean.value, variance, float(degrees[0]))

    def spread_db(self, component: str) -> float:
        """Estimated standard deviation of a component: pile, place or residual (the least residual included)."""
        least = LEAST_RESIDUAL_SD_DB**2 if component == "residual" else 0.0
        return math.sqrt(self.linear.variance(component) + least)


def fit_bias(pairs: pd.DataFrame, campaign: Campaign, reference_range_m: float, column: str = "bias_db") -> BiasFit:
    """Fit the model to counted pairs (rows of the comparison table); at least one.

    `column` is the difference that is modelled, dB: `bias_db`, or `acoustic_bias_db` without what the hammer did.
    """
    y = pairs[column].to_numpy(np.float64)
    ranges = pairs["range_m"].to_numpy(np.float64)
    with_slope = allows_slope(ranges)
    columns = [np.ones(y.size)] + ([np.log10(ranges / reference_range_m)] if with_slope else [])
    layout = pair_structure(pairs, campaign)
    linear = fit_linear(y, np.stack(columns, axis=1), layout)
    common = campaign.common_uncertainty_db**2
    chains = [campaign.system(system_id).uncertainty_db ** 2 for system_id in pairs["system_id"]]
    return BiasFit(
        reference_range_m=reference_range_m,
        linear=linear,
        mean=_plain_mean(y, linear, layout, common),
        at_reference=linear.contrast([1.0, 0.0][: len(columns)], common),
        slope=linear.contrast([0.0, 1.0]) if with_slope else None,
        common_variance=common,
        chain_variance=float(np.mean(chains)),
    )


def allows_slope(range_m: FloatArray) -> bool:
    """Whether a slope on range is estimated: three distinct ranges, and a factor of two between the ends."""
    return bool(distinct_ranges(range_m) >= _TREND_RANGES and range_m.max() >= _TREND_FACTOR * range_m.min())


def pair_structure(pairs: pd.DataFrame, campaign: Campaign) -> Structure:
    """How the differences of some pairs vary together: piles and places estimated, chains and strikes as stated."""
    chains = [campaign.system(system_id) for system_id in pairs["system_id"]]
    known = np.diag(pairs["strike_uncertainty_db"].to_numpy(np.float64) ** 2 + LEAST_RESIDUAL_SD_DB**2)
    known = known + shared_covariance([c.id for c in chains], [c.uncertainty_db for c in chains])
    energy = energy_errors_db(pairs)
    known = known + np.outer(energy, energy)  # one energy coefficient moved them all
    groups = {"pile": pairs["pile_id"].tolist(), "place": pairs["mooring_id"].tolist()}
    return structure(groups, known, dict.fromkeys(groups, SPREAD_PRIOR))


def energy_errors_db(pairs: pd.DataFrame) -> FloatArray:
    """What one standard error of the energy coefficient does to each pair: up where levels were raised, else down."""
    gap = pairs["energy_gap_decades"].to_numpy(np.float64)
    return np.asarray(np.where(gap < 0, -1.0, 1.0) * pairs["energy_uncertainty_db"].to_numpy(np.float64))


def _plain_mean(y: FloatArray, linear: LinearFit, layout: Structure, common_variance: float) -> Estimate:
    """Mean over the pairs with the variance that the model gives it."""
    share = np.full(y.size, 1.0 / y.size)
    gradient = np.array([share @ kernel @ share for kernel in layout.kernels])
    variance = float(share @ layout.known @ share + gradient @ linear.variances) + common_variance
    degrees = effective_degrees_of_freedom(np.array([variance]), gradient[None, :], linear.covariance_of_variances)
    return Estimate(float(np.mean(y)), variance, float(degrees[0]))
