"""Parts of `bias.json` beside the biases themselves: claims tested, the split into causes, the shape over bands."""

from __future__ import annotations

from typing import Literal

from reconcile.vocabulary.documents.document import Document

Interval = tuple[float, float]
PartName = Literal["energy", "strike_count", "piles_a_day", "abatement", "source", "propagation"]
Cause = Literal["operations", "abatement", "source", "propagation"]
Verdict = Literal["larger", "not_larger", "not_decided"]
Subject = Literal["prediction", "level_adjustment"]
BandVerdict = Literal["source_spectrum", "seabed", "both", "none_shown"]


class Trend(Document):
    """A slope with its standard error and 95 % interval."""

    value: float
    standard_error: float
    interval_95: Interval


class PerKilometre(Document):
    """The bias on range itself instead of its logarithm, dB/km: the other straight line that might hold.

    `gain_over_per_decade` is how much lower minus twice the logarithm of the likelihood is than that of the line per
    decade (both by maximum likelihood, equally many coefficients); within ±2 the two are not told apart.
    """

    slope_db_per_km: Trend
    gain_over_per_decade: float
    better: Literal["per_decade", "per_km", "not_told_apart"]


class EnergyCoefficientError(Document):
    """How the bias changes with strike energy, dB per decade: the error of an energy coefficient.

    `of` is `prediction` where predictions for several energies were made (the prediction's own coefficient less the
    true one), `level_adjustment` where there is one predicted energy and piles were driven at several (the coefficient
    by which measured levels were brought to it, less the true one).
    """

    error_db_per_decade: Trend
    of: Subject
    decades_covered: float


class ClaimedUncertainty(Document):
    """The prediction's own `standard_deviation_db` held against what was measured.

    `coverage_95` is the share of the `n` pairs whose measured level lies within 1.96 standard deviations of the
    prediction (stated one and measurement's together); `pit` are the pairs' probability integral transforms (measured
    level in the predicted normal distribution), in the order of the comparison. `root_mean_square` is of the errors
    over what was claimed; about 1 where the claim holds. `total` is the verdict on it, by its interval: the offset that
    all pairs share counts as one degree of freedom, for it is one draw from what was claimed. `scatter_ratio` is the
    spread of the errors about their own trend (between piles, places and the rest) over the claimed deviation, with
    its interval by chi-square; an offset common to all is not in it.
    """

    n: int
    claimed_sd_db: float
    coverage_95: float
    root_mean_square: float
    scatter_db: float
    scatter_ratio: float
    scatter_ratio_interval_95: Interval
    scatter: Verdict
    statistic: str
    pit: tuple[float, ...]
    root_mean_square_interval_95: Interval | None = None
    total: Verdict | None = None
    total_statistic: str = ""


class SplitPart(Document):
    """One cause's part of the difference, dB, predicted minus measured; null, with the `reason`, where not told."""

    part: PartName
    cause: Cause
    value_db: float | None
    standard_uncertainty_db: float | None
    interval_95_db: Interval | None
    statistic: str
    reason: str | None = None


class Statement(Document):
    """A sentence about a bias, the statistic that it was made by, and what else might have made that statistic."""

    about: str
    sentence: str
    statistic: str
    alternatives: tuple[str, ...] = ()


class Split(Document):
    """Where the difference of one prediction comes from: operations, abatement, source, propagation.

    Of `at_range_m`, the measured range that is furthest from the reference range: `total_db`, what was predicted less
    what was recorded, is the sum of the parts that are told. `acoustic_db` leaves the operations out; it alone is what
    a correction takes. The first keys are those of the bias that is split.
    """

    prediction_id: str
    model_id: str
    quantity: str
    weighting: str
    band_hz: float | None
    statistic: str | None
    installation_method: str
    foundation_type: str
    abatement: str
    receiver: str | None
    reference_range_m: float
    at_range_m: float
    total_db: float
    total_at_reference_db: float
    acoustic_db: float
    acoustic_interval_95_db: Interval
    acoustic_at_reference_db: float
    acoustic_at_reference_interval_95_db: Interval
    new_place_interval_95_db: Interval
    parts: tuple[SplitPart, ...]
    reading: tuple[Statement, ...] = ()


class BandDeviation(Document):
    """How far the bias of a band lies from the mean of all bands, at the reference range and per decade of range."""

    band_hz: float
    n_pairs: int
    deviation_db: float
    interval_95_db: Interval
    slope_db_per_decade: float | None
    slope_interval_95: Interval | None


class BandShape(Document):
    """Whether the bias has a shape over the decidecade bands of one prediction and group.

    Deviations are of the same pile and station, so that what all bands share (chain, place, pile) falls out. A shape is
    shown where the largest deviation over its standard error passes the 5 % level for that many bands (Bonferroni).
    """

    prediction_id: str
    model_id: str
    quantity: str
    weighting: str
    statistic: str | None
    installation_method: str
    foundation_type: str
    abatement: str
    receiver: str | None
    bands: tuple[BandDeviation, ...]
    offsets_p: float
    slopes_p: float | None
    verdict: BandVerdict
    reading: tuple[Statement, ...] = ()
