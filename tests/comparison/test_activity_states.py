"""A curtain switched on halfway through each pile: nothing of the two states is ever taken together."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from reconcile.comparison import bias_document, compare
from reconcile.spreading import fit_campaign
from reconcile.vocabulary.documents.campaign import Activity, Campaign, PredictedRange
from reconcile.vocabulary.documents.fit import FitDocument
from tests.spreading import level_campaigns as invented

CELLS = {(p, s): r for p in ("A", "B") for s, r in (("S0", 600.0), ("S1", 900.0), ("S2", 2400.0))}
WITHOUT_DB, WITH_DB, PREDICTED_TOO_LOUD_DB = 176.0, 166.0, 2.0
N = 20  # strikes in each state; ten more in none


def _activities() -> tuple[Activity, ...]:
    return tuple(
        Activity(
            line=2 + k,
            activity_id=f"{pile_id}-{name}",
            pile_id=pile_id,
            installation_method="impact",
            abatement=abatement,
            start_utc=invented.START + timedelta(minutes=k),
            end_utc=invented.START + timedelta(minutes=k + 1),
        )
        for pile_id in ("A", "B")
        for k, (name, abatement) in enumerate((("off", "none"), ("on", "curtain")))
    )


def _strikes() -> pd.DataFrame:
    """Levels on a line of 20 dB per decade, 10 dB lower behind the curtain; in no activity 30 dB too loud."""
    state = np.repeat([WITHOUT_DB, WITH_DB, 206.0], [N, N, 10])
    ripple = np.concatenate([0.1 * (np.arange(n) - (n - 1) / 2) for n in (N, N, 10)])
    table = invented.strikes(CELLS, lambda _p, _s, r: invented.line_db(r, 0.0, 20.0) + state + ripple)
    number = table["strike_id"].str[-5:].astype(int)
    table["activity_id"] = np.select(
        [number < N, number < 2 * N], [table["pile_id"] + "-off", table["pile_id"] + "-on"]
    )
    table.loc[number >= 2 * N, "activity_id"] = None
    table["flags"] = [["outside_activities"] if n >= 2 * N else [] for n in number]
    return table


def _campaign() -> Campaign:
    predictions = [
        invented.prediction(
            r, float(invented.line_db(r, level + PREDICTED_TOO_LOUD_DB, 20.0)), abatement=state, **changes
        )
        for state, level in (("none", WITHOUT_DB), ("Curtain", WITH_DB))
        for changes in ({}, {"quantity": "cumulative_exposure_level", "statistic": None})
        for r in (500.0, 3000.0)
    ]
    wanted = PredictedRange(
        line=2, prediction_id="P1", quantity="exposure_level", threshold_db=160.0, range_m=2000.0, abatement="curtain"
    )
    piles = (invented.pile("A"), invented.pile("B"))
    return invented.campaign(piles, CELLS, predictions, [wanted]).model_copy(update={"activities": _activities()})


@pytest.fixture(scope="module")
def fits() -> FitDocument:
    return fit_campaign(_strikes(), invented.NO_BANDS, _campaign())


def test_each_state_has_a_fit_of_its_own(fits: FitDocument) -> None:
    levels = {
        fit.abatement: fit.coefficients.level_at_reference_db.value
        for fit in fits.fits
        if fit.selected and fit.quantity == "exposure_level"
    }
    assert levels == pytest.approx({"none": WITHOUT_DB, "curtain": WITH_DB}, abs=0.01)


def test_predictions_meet_the_strikes_of_their_state_only(fits: FitDocument) -> None:
    strikes = _strikes()
    pairs, unpaired = compare(strikes, invented.NO_BANDS, invented.summary(strikes), fits, _campaign())
    assert len(pairs) == 12  # two piles, three stations, two states
    assert set(pairs["n_strikes"]) == {N}
    assert pairs["bias_db"].to_numpy() == pytest.approx(PREDICTED_TOO_LOUD_DB, abs=1e-6)
    assert pairs.groupby("abatement").size().to_dict() == {"none": 6, "curtain": 6}
    reasons = unpaired["reason"].value_counts().to_dict()
    assert sum(n for reason, n in reasons.items() if "cumulative level of the whole pile" in reason) == 4
    assert sum(n for reason, n in reasons.items() if "predicted for abatement" in reason) == 8
    biases = bias_document(pairs, fits, _campaign()).biases
    assert {bias.abatement: round(bias.mean_bias_db, 6) for bias in biases} == {"none": 2.0, "curtain": 2.0}


def test_predicted_distances_meet_the_curve_of_their_state(fits: FitDocument) -> None:
    """160 dB: 6 dB below 166 dB at 750 m, at 20 dB per decade: 750 m times 10^0.3."""
    strikes = _strikes()
    pairs, _ = compare(strikes, invented.NO_BANDS, invented.summary(strikes), fits, _campaign())
    (found,) = bias_document(pairs, fits, _campaign()).threshold_ranges
    assert found.abatement == "curtain"
    assert found.measured_m == pytest.approx(750.0 * 10**0.3, rel=0.01)
