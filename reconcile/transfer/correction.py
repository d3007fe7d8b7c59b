"""correction.json: what is added to a later prediction by the same method."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.comparison.bias import correction_groups, optional_number, optional_text, pair_flags
from reconcile.comparison.bias_model import BiasFit, fit_bias
from reconcile.vocabulary.documents.bias import BiasDocument
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.correction import (
    Correction,
    CorrectionCoefficients,
    CorrectionDocument,
    Extent,
    Scope,
)
from reconcile.vocabulary.documents.fit import Coefficient, Covariance

_NAMES = ("offset_db", "spreading_db_per_decade", "attenuation_db_per_km")


def correction_document(
    bias: BiasDocument, comparison: pd.DataFrame, strikes: pd.DataFrame, campaign: Campaign
) -> CorrectionDocument:
    """The corrections that follow from the biases: their negative, with the same covariance.

    A correction belongs to a prediction method, not to one prediction: where several predictions of one method are
    in the comparison their pairs are taken together.
    """
    if not bias.biases:
        return CorrectionDocument(project=campaign.name, corrections=())
    reference = bias.biases[0].reference_range_m
    counted = comparison[comparison["counted"]]
    corrections = tuple(_correction(pairs, strikes, campaign, reference) for pairs in correction_groups(counted))
    return CorrectionDocument(project=campaign.name, corrections=corrections)


def _correction(pairs: pd.DataFrame, strikes: pd.DataFrame, campaign: Campaign, reference_range_m: float) -> Correction:
    fit = fit_bias(pairs, campaign, reference_range_m, "acoustic_bias_db")
    first = pairs.iloc[0]
    return Correction(
        model_id=first["model_id"],
        quantity=first["quantity"],
        weighting=first["weighting"],
        band_hz=optional_number(first["band_hz"]),
        foundation_type=first["foundation_type"],
        installation_method=first["installation_method"],
        abatement=first["abatement"],
        reference_range_m=reference_range_m,
        coefficients=_negative(fit),
        covariance=Covariance(names=_NAMES, matrix=fit.covariance.matrix),
        spread_between_piles_db=fit.spread_db("pile"),
        n_piles=pairs["pile_id"].nunique(),
        scope=_scope(pairs, strikes, campaign),
        flags=tuple(pair_flags(pairs, fit)),
        statistic=optional_text(first["statistic"]),
        n_pairs=len(pairs),
        prediction_ids=tuple(dict.fromkeys(pairs["prediction_id"])),
        small_sample=fit.small_sample,
    )


def _negative(fit: BiasFit) -> CorrectionCoefficients:
    offset, slope = fit.offset, fit.spreading
    return CorrectionCoefficients(
        offset_db=Coefficient(value=-offset.value, standard_error=offset.standard_error),
        spreading_db_per_decade=Coefficient(value=0.0 - slope.value, standard_error=slope.standard_error),
        attenuation_db_per_km=Coefficient(value=0.0, standard_error=0.0),
    )


def _scope(pairs: pd.DataFrame, strikes: pd.DataFrame, campaign: Campaign) -> Scope:
    """Ranges of the pairs; energies of the strikes of their piles, as logged; diameters and depths of the piles."""
    ids = set(pairs["pile_id"])
    piles = [pile for pile in campaign.piles if pile.pile_id in ids]
    depths = [campaign.water_depth_m if pile.water_depth_m is None else pile.water_depth_m for pile in piles]
    return Scope(
        range_m=_extent(pairs["range_m"].tolist()),
        energy_kj=_extent(strikes.loc[strikes["pile_id"].isin(ids), "energy_kj"].dropna().unique().tolist()),
        diameter_m=_extent([pile.diameter_m for pile in piles]),
        water_depth_m=_extent(depths),
    )


def _extent(values: list[float | None]) -> Extent:
    """Smallest and largest of the known values; nulls where none is known."""
    known = np.array([value for value in values if value is not None and np.isfinite(value)], dtype=np.float64)
    return (float(known.min()), float(known.max())) if known.size else (None, None)
