"""Residuals and influence of a fit as drawings, and what is said of fits below their table."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from reconcile.report import page
from reconcile.report.figures.fit_checks import fit_checks
from reconcile.report.subjects import Subject
from reconcile.report.tables.fit_reasons import fit_notes
from reconcile.vocabulary.documents.fit import (
    BottomLoss,
    Coefficient,
    Covariate,
    Fit,
    FitDocument,
    Influence,
    IntervalBasis,
    ThresholdRange,
)
from reconcile.vocabulary.tables import RESIDUALS
from tests.report import small_evidence

SUBJECT = Subject("exposure_level")


def _fit() -> Fit:
    fit = small_evidence.fit_document().fits[0]
    asked = ThresholdRange(threshold_db=160.0, range_m=5700.0, interval_m=(4000.0, None), extrapolated=True)
    changes = {"level_at_reference_db": 0.3, "spreading_coefficient_db_per_decade": -1.1}
    return fit.model_copy(
        update={
            "threshold_ranges": (asked,),
            "influence": (Influence(mooring_id="S1", coefficients=changes, decides=True),),
            "flags": (*fit.flags, "residuals_curved"),
        }
    )


def _residuals(piles: tuple[str, ...]) -> pd.DataFrame:
    rows = [
        {
            "quantity": "exposure_level", "weighting": "none", "band_hz": float("nan"), "installation_method": "impact",
            "foundation_type": "monopile", "abatement": "none", "model": "spreading", "pile_id": pile,
            "mooring_id": place, "system_id": "H1", "range_m": range_m, "n_strikes": 6,
            "time_utc": pd.Timestamp("2026-05-01T00:00Z") + k * pd.Timedelta("5h"),
            "energy_kj": 1500.0 + 100.0 * k, "n_censored": 0, "level_db": 170.0,
            "fitted_db": 169.5, "residual_db": 0.5 - 0.4 * k,
        }
        for k, pile in enumerate(piles)
        for place, range_m in (("S1", 520.0), ("S2", 3100.0))
    ]  # fmt: skip
    return pd.DataFrame(rows)[list(RESIDUALS.column_names)]


def test_all_six_are_drawn_and_what_they_show_is_said() -> None:
    whole = small_evidence.whole()
    piles = tuple(pile.pile_id for pile in whole.piles)[:2]
    evidence = replace(whole, fit=FitDocument(fits=(_fit(),)), residuals=_residuals(piles))
    figure = fit_checks(evidence, SUBJECT, _fit())
    assert figure is not None
    drawn = str(figure.panels[0].svg)
    for words in ("Range (m)", "Mean strike energy (kJ)", "Hours since the first", "Place, from near to far", "asked",
                  "Change (standard errors)"):  # fmt: skip
        assert words in drawn
    note = figure.panels[0].note
    assert "4 means of piles at places, between 520 and 3100 m" in note
    assert "what is left of the stations is curved" in note
    assert "Places that decide: S1." in note
    assert "1 of the distances asked lie outside" in note
    assert [item.name for item in figure.legend if item.kind == "marker"][:2] == list(piles)
    shown = page(evidence)
    assert "How well the chosen fits stand" in shown
    assert shown == page(evidence)


def test_one_pile_has_no_drawing_against_energy_and_time() -> None:
    whole = small_evidence.whole()
    evidence = replace(whole, residuals=_residuals((whole.piles[0].pile_id,)))
    figure = fit_checks(evidence, SUBJECT, _fit())
    assert figure is not None
    assert "One pile: one mean energy" in str(figure.panels[0].svg)


def test_results_without_the_table_have_no_such_drawing() -> None:
    assert fit_checks(small_evidence.whole(), SUBJECT, _fit()) is None
    assert "How well the chosen fits stand" not in page(small_evidence.whole())


def test_notes_say_the_choice_the_refusal_and_what_intervals_rest_on() -> None:
    basis = IntervalBasis(
        method="bootstrap", reason="limits", n_replicates=199, seed=1, range_m=(500.0, 3000.0), factors=(1.0, 1.12)
    )
    loss = BottomLoss(
        loss_db=Coefficient(value=0.55, standard_error=0.08),
        water_depth_m=32.0,
        mach_angle_deg=17.34,
        sound_speed_water_m_s=1490.0,
        wave_speed_pile_m_s=5000.0,
        cycle_distance_m=205.0,
    )
    left_out = Covariate(
        name="pile_diameter_m", coefficient=None, reference=9.5, prior_sd=20.0, reason="piles are fewer than 6"
    )
    chosen = _fit().model_copy(update={"intervals_by": basis, "bottom_loss": loss, "covariates": (left_out,)})
    refused = chosen.model_copy(
        update={
            "model": "spreading_attenuation",
            "selected": False,
            "flags": ("not_supported",),
            "not_chosen_because": "the attenuation came out negative (-0.2 dB/km)",
        }
    )
    (note,) = fit_notes([chosen, refused])
    for words in (
        "Chosen is spreading: the simplest model.",
        "Not supported: spreading and attenuation, as the attenuation came out negative",
        "199 campaigns drawn from the fit",
        "wider by up to 12 %",
        "Not in the model: pile diameter (piles are fewer than 6).",
        "0.55 ± 0.08 dB lost at each reflection from the bottom: one every 205 m",
    ):
        assert words in note
