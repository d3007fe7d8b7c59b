"""Whether a bias has a shape over the decidecade bands: what bands do not share.

Each pair's band is taken less the mean over all bands of the same pile and station. Errors of chain, place and pile
that all bands share fall out; what is left tells a wrong spectrum at the source (the same at all ranges) from a wrong
loss by frequency (growing with range).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import t as student_t

from reconcile.comparison.bias_model import allows_slope
from reconcile.inference import Estimate, Prior, fit_linear, structure
from reconcile.vocabulary.documents.bias_parts import BandDeviation, BandShape, BandVerdict

LEAST_BANDS = 3
LEVEL = 0.05  # of the test for a shape, over all bands together
_LEAST_PLACES = 3
_LEAST_REST_DB = 0.25  # of one pile at one place, in one band
_LEAST_SPREAD_DB = 0.3  # between piles and between places, in one band
_WORTH = 3.0  # of what all bands together say of these spreads, in further piles and places of one band
_KEYS = ("prediction_id", "model_id", "quantity", "weighting", "statistic", "installation_method", "foundation_type",
         "abatement", "receiver")  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Band:
    band_hz: float
    n_pairs: int
    offset: Estimate
    slope: Estimate | None


def band_shapes(counted: pd.DataFrame, reference_range_m: float) -> Iterator[BandShape]:
    """The shape of each prediction and group of which three bands or more have pairs."""
    banded = counted[counted["band_hz"].notna()]
    for key, pairs in banded.groupby(list(_KEYS), dropna=False, sort=False):
        whole = complete(pairs)
        if whole.shape[1] < LEAST_BANDS or pairs["mooring_id"].nunique() < _LEAST_PLACES:
            continue
        first = pairs.drop_duplicates(["pile_id", "station_id"]).set_index(["pile_id", "station_id"])
        bands = _bands(whole, first.loc[whole.index], reference_range_m)
        yield _shape(dict(zip(_KEYS, key, strict=True)), bands)


def complete(pairs: pd.DataFrame) -> pd.DataFrame:
    """Biases of pile and station (rows) by band (columns), less each row's mean; without gaps.

    Bands that fewer than half of the pairs have are left out, then pairs that lack a band.
    """
    table = pairs.pivot_table(index=["pile_id", "station_id"], columns="band_hz", values="acoustic_bias_db", sort=True)
    table = table.loc[:, table.notna().mean() >= 0.5].dropna()
    return table.sub(table.mean(axis=1), axis=0)


def _bands(deviations: pd.DataFrame, about: pd.DataFrame, reference_range_m: float) -> list[_Band]:
    """The line of each band's deviations. How piles and places differ is learnt from all bands, then for each."""
    ranges = about["range_m"].to_numpy(np.float64)
    with_slope = allows_slope(ranges)
    X = np.stack([np.ones(ranges.size)] + ([np.log10(ranges / reference_range_m)] if with_slope else []), axis=1)
    groups = {"pile": deviations.index.get_level_values(0).tolist(), "place": about["mooring_id"].tolist()}
    known = np.eye(ranges.size) * _LEAST_REST_DB**2
    apart = [fit_linear(deviations[band].to_numpy(np.float64), X, structure(groups, known)) for band in deviations]
    usual = {name: float(np.mean([fit.variance(name) for fit in apart])) for name in groups}
    priors = {name: Prior(max(math.sqrt(v), _LEAST_SPREAD_DB), _WORTH) for name, v in usual.items()}
    layout = structure(groups, known, priors)
    found = []
    for band in deviations.columns:
        fit = fit_linear(deviations[band].to_numpy(np.float64), X, layout)
        slope = fit.contrast([0.0, 1.0]) if with_slope else None
        found.append(_Band(float(band), ranges.size, fit.contrast([1.0, 0.0][: X.shape[1]]), slope))
    return found


def _shape(key: dict[str, object], bands: Sequence[_Band]) -> BandShape:
    offsets = smallest_p([band.offset for band in bands])
    slopes = [band.slope for band in bands if band.slope is not None]
    slopes_p = smallest_p(slopes) if slopes else None
    return BandShape.model_validate(
        {name: None if pd.isna(value) else value for name, value in key.items()}  # type: ignore[call-overload]
        | {
            "bands": tuple(_deviation(band) for band in bands),
            "offsets_p": offsets,
            "slopes_p": slopes_p,
            "verdict": _verdict(offsets < LEVEL, slopes_p is not None and slopes_p < LEVEL),
        }
    )


def smallest_p(estimates: Sequence[Estimate]) -> float:
    """The smallest two-sided p of some estimates being zero, times their number (Bonferroni), at most 1."""
    each = [2.0 * float(student_t.sf(abs(e.value) / e.standard_error, e.degrees_of_freedom)) for e in estimates]
    return min(1.0, len(each) * min(each))


def _verdict(offsets: bool, slopes: bool) -> BandVerdict:
    if offsets and slopes:
        return "both"
    return "source_spectrum" if offsets else "seabed" if slopes else "none_shown"


def _deviation(band: _Band) -> BandDeviation:
    return BandDeviation(
        band_hz=band.band_hz,
        n_pairs=band.n_pairs,
        deviation_db=band.offset.value,
        interval_95_db=band.offset.interval(),
        slope_db_per_decade=None if band.slope is None else band.slope.value,
        slope_interval_95=None if band.slope is None else band.slope.interval(),
    )
