"""The budget adds up to the summary's uncertainty, and its parts to what was put in."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.strikes.uncertainty_budget import budget_rows
from reconcile.vocabulary.documents.campaign import Campaign
from tests.strikes.campaigns import campaign


def strikes(levels: list[float], noise: list[float], uncertain_m: float | None = None) -> pd.DataFrame:
    n = len(levels)
    return pd.DataFrame(
        {
            "pile_id": "P1",
            "station_id": "NEAR",
            "system_id": "H1",
            "exposure_level_db": levels,
            "noise_level_db": noise,
            "window_s": 0.5,
            "range_m": 750.0,
            "range_standard_uncertainty_m": np.nan if uncertain_m is None else uncertain_m,
            "flags": [[] for _ in range(n)],
        }
    )


def with_system(**changed: object) -> Campaign:
    there = campaign()
    return there.model_copy(update={"systems": (there.systems[0].model_copy(update=changed),)})


def by_name(rows: pd.DataFrame) -> dict[str, float]:
    return dict(zip(rows["component"], rows["standard_uncertainty_db"], strict=True))


def test_tiers_are_kept_apart_and_add_up() -> None:
    rows = budget_rows(strikes([170.0, 172.0, 174.0], [100.0] * 3), campaign())
    found = by_name(rows)
    assert found["scatter of the strikes"] == pytest.approx(2.0 / np.sqrt(3))  # standard deviation 2 dB of three
    assert found["whole chain"] == pytest.approx(0.7)
    assert found["common to all chains"] == pytest.approx(0.5)
    counted = rows[rows["counted"]]
    total = np.sqrt((counted["standard_uncertainty_db"] ** 2).sum())
    assert total == pytest.approx(np.sqrt(4.0 / 3 + 0.49 + 0.25))
    assert set(rows["common_to"]) == {"strike", "system", "campaign"}
    assert rows.set_index("component")["degrees_of_freedom"]["scatter of the strikes"] == 2


def test_background_subtraction_by_hand() -> None:
    """Background of 1 and 3 (relative standard deviation √2/2) under a strike of 100 times its energy."""
    noise = [100.0, 100.0 + 10 * np.log10(3.0)]
    level = [100.0 + 10 * np.log10(0.5 * 100), 100.0 + 10 * np.log10(0.5 * 300)]  # a hundred times noise over 0.5 s
    found = by_name(budget_rows(strikes(level, noise), campaign()))
    assert found["background subtraction"] == pytest.approx(10 / np.log(10) * 0.01 * np.sqrt(2) / 2 / np.sqrt(2))


def test_known_parts_of_the_chain_and_the_rest() -> None:
    rows = budget_rows(
        strikes([170.0, 170.0], [100.0] * 2), with_system(uncertainty_components_db={"sensitivity": 0.5, "gain": 0.3})
    )
    found = by_name(rows)
    assert found["sensitivity"] == 0.5
    assert found["rest of the chain"] == pytest.approx(np.sqrt(0.49 - 0.25 - 0.09))
    chain = rows[rows["common_to"] == "system"]["standard_uncertainty_db"]
    assert np.sqrt((chain**2).sum()) == pytest.approx(0.7)


def test_field_checks_and_range() -> None:
    there = with_system(effective_standard_uncertainty_db=0.9)
    found = by_name(budget_rows(strikes([170.0, 170.0], [100.0] * 2, uncertain_m=15.0), there))
    assert found["field checks"] == pytest.approx(np.sqrt(0.81 - 0.49))
    assert found["range"] == pytest.approx(15.0 / np.log(10) * 0.02)  # 2 % of the range at 15 dB per decade
