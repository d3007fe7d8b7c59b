"""Limits and thresholds against numbers worked by hand, clipping, distance, and the words that are allowed."""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np
import pandas as pd
import pytest

from reconcile.comparison.level_bounds import sampling_error_db, statistic_bounds
from reconcile.comparison.limits import limit_rows, not_shown, over_limit
from reconcile.vocabulary.criteria import CRITERIA, Criterion, criteria_of
from reconcile.vocabulary.documents.campaign import Campaign, Settings
from reconcile.vocabulary.documents.fit import FitDocument
from reconcile.vocabulary.tables import EXPOSURE, SUMMARY
from tests.report.small_evidence import fit_document
from tests.strikes.campaigns import START, campaign

PLAIN: dict[str, Any] = {
    "criteria_set": "permit", "kind": "limit", "subject": "permit", "source": "condition 4", "date": "2030",
    "standing": "stated by the user",
}  # fmt: skip
PEAK = Criterion(**PLAIN, quantity="peak_level", level_db=190.0, range_m=750.0)
SEL05 = Criterion(**PLAIN, quantity="exposure_level", statistic="exceeded_5", level_db=160.0, range_m=750.0)
SUM = Criterion(**PLAIN, quantity="cumulative_exposure_level", level_db=183.0, period="pile")


def strikes(
    exposure: list[float], peak: list[float] | None = None, peak_censoring: list[str] | None = None,
    exposure_censoring: list[str] | None = None, station: str = "NEAR", range_m: float = 750.0, pile: str = "P1",
) -> pd.DataFrame:  # fmt: skip
    n = len(exposure)
    return pd.DataFrame(
        {
            "strike_id": [f"{pile}-{k}" for k in range(n)],
            "pile_id": pile,
            "station_id": station,
            "time_utc": pd.to_datetime([START.timestamp() * 1e6 + 2e6 * k for k in range(n)], unit="us", utc=True),
            "range_m": range_m,
            "range_standard_uncertainty_m": np.nan,
            "energy_kj": 1000.0,
            "peak_level_db": peak or [level + 25.0 for level in exposure],
            "exposure_level_db": exposure,
            "rms_level_db": [level + 10.0 for level in exposure],
            "max_125ms_level_db": [level + 9.03 for level in exposure],
            "noise_level_db": 110.0,
            "peak_censoring": peak_censoring or ["none"] * n,
            "exposure_censoring": exposure_censoring or ["none"] * n,
            "flags": [[] for _ in range(n)],
        }
    )


def sums(**changes: object) -> pd.DataFrame:
    row: dict[str, object] = {
        "station_id": "NEAR", "pile_id": "P1", "start_utc": pd.Timestamp(START),
        "end_utc": pd.Timestamp(START) + pd.Timedelta(minutes=3), "period": "pile", "weighting": "none",
        "installation_method": "impact", "n_strikes": 100, "recorded_fraction": np.nan, "measured_db": 180.0,
        "upper_db": 180.0, "completed_db": np.nan, "censoring": "none",
    }  # fmt: skip
    return pd.DataFrame([row | changes]).reindex(columns=list(EXPOSURE.column_names))


NO_SUMMARY = pd.DataFrame(columns=list(SUMMARY.column_names))
NO_SUMS = sums().iloc[:0]


def compared(
    criterion: Criterion,
    table: pd.DataFrame | None = None,
    exposure: pd.DataFrame = NO_SUMS,
    summary: pd.DataFrame = NO_SUMMARY,
    fitted: FitDocument | None = None,
    there: Campaign | None = None,
) -> pd.DataFrame:
    base = (there or campaign(settings=Settings(weightings=()))).model_copy(update={"criteria": (criterion,)})
    return limit_rows(strikes([150.0]) if table is None else table, exposure, summary, fitted, base)


def only(table: pd.DataFrame) -> pd.Series:
    assert len(table) == 1, table
    return table.iloc[0]


def test_the_95th_percentile_below_its_limit() -> None:
    """Levels 139, 140, ... 159: the 95th percentile of 21 levels is the 20th, 158 dB: 2 dB below 160 dB."""
    row = only(compared(SEL05, strikes([139.0 + k for k in range(21)])))
    assert (row.outcome, row.censoring, row.statistic, row.n_strikes) == ("below", "none", "exceeded_5", 21)
    assert row.measured_db == pytest.approx(158.0)
    assert row.margin_db == pytest.approx(2.0)
    # by hand: chain 0.7, common 0.5, standard deviation of 0..20 over √21
    u = math.sqrt(0.7**2 + 0.5**2 + np.std(np.arange(21.0), ddof=1) ** 2 / 21)
    assert row.standard_uncertainty_db == pytest.approx(u)
    assert row.margin_with_uncertainty_db == pytest.approx(2.0 - 1.645 * u)
    assert row.statement == f"measured level is 2.0 dB below (standard uncertainty {u:.1f} dB)"


def test_brought_to_the_limits_distance_by_15_db_per_decade() -> None:
    """At 800 m: 15 lg(800/750) = 0.420 dB is added; at 900 m the hydrophone is no longer within 10 %."""
    found = compared(SEL05, strikes([160.0] * 40, range_m=800.0))
    row = only(found)
    assert row.measured_as_recorded_db == pytest.approx(160.0)
    assert row.measured_db == pytest.approx(160.0 + 15.0 * math.log10(800.0 / 750.0))
    assert row.outcome == "above"
    slope = 5.0 / math.sqrt(3.0) * math.log10(800.0 / 750.0)
    assert row.standard_uncertainty_db == pytest.approx(math.sqrt(0.7**2 + 0.5**2 + slope**2))
    assert len(over_limit(found)) == 1
    far = only(compared(SEL05, strikes([160.0] * 40, range_m=900.0)))
    assert (far.outcome, far.statement) == ("not_compared", "no hydrophone within 10 % of 750 m")
    permit = SEL05.model_copy(update={"slope_db_per_decade": 20.0})
    assert only(compared(permit, strikes([160.0] * 4, range_m=700.0))).measured_db == pytest.approx(
        160.0 + 20.0 * math.log10(700.0 / 750.0)
    )


def test_an_uncertain_distance_is_in_the_uncertainty() -> None:
    table = strikes([160.0] * 40).assign(range_standard_uncertainty_m=75.0)
    row = only(compared(SEL05, table))
    assert row.standard_uncertainty_db == pytest.approx(math.sqrt(0.7**2 + 0.5**2 + (15 / math.log(10) * 0.1) ** 2))


def test_levels_are_as_recorded_whatever_the_energy() -> None:
    table = strikes([150.0, 160.0, 170.0]).assign(energy_kj=[100.0, 1000.0, 10000.0])
    assert only(compared(PEAK, table)).measured_db == pytest.approx(195.0)


def test_a_clipped_loudest_peak_cannot_be_shown_to_be_below() -> None:
    found = compared(PEAK, strikes([150.0] * 3, [170.0, 175.0, 188.0], ["none", "none", "at_least"]))
    row = only(found)
    assert (row.outcome, row.censoring, row.measured_db) == ("cannot_be_shown", "at_least", 188.0)
    assert row.statement == "measured level is at least 188.0 dB (clipped): that it is below cannot be shown"
    assert over_limit(found) == []
    assert len(not_shown(found)) == 1


def test_any_clipped_peak_may_have_been_the_loudest() -> None:
    row = only(compared(PEAK, strikes([150.0] * 3, [170.0, 186.0, 180.0], ["none", "none", "at_least"])))
    assert (row.outcome, row.measured_db) == ("cannot_be_shown", 186.0)


def test_a_clipped_peak_above_the_limit_is_at_least_above() -> None:
    row = only(compared(PEAK, strikes([150.0] * 2, [170.0, 191.5], ["none", "at_least"])))
    assert row.outcome == "above"
    assert row.statement.startswith("measured level is at least 1.5 dB above")


def test_a_clipped_strike_does_not_hide_a_percentile_that_it_cannot_move() -> None:
    levels = [150.0 + 0.1 * k for k in range(60)]
    kinds = ["none"] * 59 + ["at_least"]
    row = only(compared(SEL05, strikes(levels, exposure_censoring=kinds)))
    assert (row.outcome, row.censoring) == ("below", "none")
    assert row.measured_db == pytest.approx(float(np.quantile(levels, 0.95)))


def test_limits_under_the_background_bound_from_above() -> None:
    row = only(compared(SEL05, strikes([150.0] * 4, exposure_censoring=["at_most"] * 4)))
    assert (row.outcome, row.censoring) == ("below", "at_most")
    assert row.statement.startswith("measured level is at least 10.0 dB below")
    row = only(compared(SEL05, strikes([165.0] * 4, exposure_censoring=["at_most"] * 4)))
    assert row.outcome == "cannot_be_shown"
    assert row.statement == "measured level is at most 165.0 dB: whether it is below or above cannot be shown"


def test_the_level_itself_is_not_above_it() -> None:
    assert only(compared(SEL05, strikes([160.0] * 3))).outcome == "below"


@pytest.mark.parametrize(
    ("changes", "outcome", "measured", "censoring"),
    [
        ({}, "below", 180.0, "none"),
        ({"measured_db": 184.0, "upper_db": 184.0}, "above", 184.0, "none"),
        ({"upper_db": 184.0}, "cannot_be_shown", 184.0, "at_most"),
        ({"upper_db": 182.0}, "below", 182.0, "at_most"),
        ({"censoring": "at_least"}, "cannot_be_shown", 180.0, "at_least"),
        ({"completed_db": 183.0103, "recorded_fraction": 0.5}, "above", 183.0103, "none"),  # twice as much
        ({"measured_db": np.nan, "upper_db": 150.0, "censoring": "at_most"}, "below", 150.0, "at_most"),
        ({"measured_db": np.nan, "recorded_fraction": 0.5}, "cannot_be_shown", np.nan, "at_least"),
    ],
)  # fmt: skip
def test_sums(changes: dict[str, object], outcome: str, measured: float, censoring: str) -> None:
    row = only(compared(SUM, exposure=sums(**changes)))
    assert (row.outcome, row.censoring) == (outcome, censoring)
    assert row.measured_db == pytest.approx(measured, abs=1e-3, nan_ok=True)


def test_impulsive_and_other_sound_are_held_apart() -> None:
    both = pd.concat([sums(), sums(installation_method="vibratory", measured_db=190.0, upper_db=190.0)])
    struck = SUM.model_copy(update={"source_type": "impulsive"})
    steady = SUM.model_copy(update={"source_type": "non_impulsive"})
    assert only(compared(struck, exposure=both)).measured_db == 180.0
    assert only(compared(steady, exposure=both)).measured_db == 190.0
    assert len(compared(SUM, exposure=both)) == 2


def test_a_weighting_that_was_not_computed_is_said() -> None:
    row = only(compared(SUM.model_copy(update={"weighting": "southall-2019:VHF"}), exposure=sums()))
    assert row.outcome == "not_compared"
    assert "southall-2019:VHF" in row.statement


def test_a_band_that_ends_below_the_best_hearing_is_noted() -> None:
    """The VHF weighting of Southall et al. 2019 is greatest at 39.8 kHz (tests/reference, peak_frequency_khz)."""
    weighted = SUM.model_copy(update={"weighting": "southall-2019:VHF"})
    for band_hz, noted in ((2500.0, True), (50_000.0, False)):
        bands = pd.DataFrame([{"station_id": "NEAR", "pile_id": "P1", "band_hz": band_hz}])
        summary = bands.reindex(columns=list(SUMMARY.column_names))
        row = only(compared(weighted, exposure=sums(weighting="southall-2019:VHF"), summary=summary))
        assert ("recorded to the 2500 Hz band only" in row.note) == noted


def test_seconds_of_a_vibrated_pile_by_their_summary() -> None:
    there = campaign(settings=Settings(weightings=()), methods=("vibratory",))
    seconds = pd.DataFrame(
        [
            {"pile_id": "P1", "station_id": "NEAR", "quantity": "rms_level", "weighting": "none", "band_hz": np.nan,
             "installation_method": "vibratory",
             "range_m": 750.0, "n_strikes": 60, "maximum_db": 131.0, "median_db": 119.0,
             "standard_uncertainty_db": 0.9}
        ]
    ).reindex(columns=list(SUMMARY.column_names))  # fmt: skip
    (steady,) = (c for c in criteria_of("us-behaviour") if c.source_type == "non_impulsive")
    row = only(compared(steady, strikes([150.0]).iloc[:0], summary=seconds, there=there))
    assert (row.outcome, row.margin_db) == ("above", pytest.approx(-11.0))
    assert not row.can_fail  # a threshold of an effect


def test_thresholds_and_poorly_recalled_limits_never_fail_a_run() -> None:
    table = strikes([200.0] * 3, [230.0] * 3)
    for name, fails in (("belgium", False), ("germany-windseev", True), ("nmfs-2024", False), ("fhwg-2008", False)):
        base = campaign(settings=Settings(weightings=())).model_copy(update={"criteria": criteria_of(name)})
        assert bool(over_limit(limit_rows(table, NO_SUMS, NO_SUMMARY, None, base))) == fails, name


def test_the_fleeing_receptor_needs_a_start_and_a_fit() -> None:
    danish = criteria_of("denmark-2022")[0]
    assert "does not follow it" in only(compared(danish)).statement
    fleeing = SUM.model_copy(
        update={"fleeing": True, "fleeing_speed_m_s": 1.5, "start_range_m": 600.0, "level_db": 170.0}
    )
    assert "no fit" in only(compared(fleeing, strikes([150.0] * 5))).statement


def test_the_fleeing_receptor_by_the_fit() -> None:
    """The fit of the small evidence: 175 dB at 750 m, 17 dB per decade; five strikes of 1000 kJ, 10 lg(1000/1800)."""
    fleeing = SUM.model_copy(
        update={"fleeing": True, "fleeing_speed_m_s": 1.5, "start_range_m": 600.0, "level_db": 170.0}
    )
    row = only(compared(fleeing, strikes([150.0] * 5), fitted=fit_document()))
    ranges = 600.0 + 1.5 * 2.0 * np.arange(5)
    each = 175.0 + 10 * math.log10(1000.0 / 1800.0) - 17.0 * np.log10(ranges / 750.0)
    assert row.measured_db == pytest.approx(10 * math.log10(np.sum(10 ** (each / 10))), abs=1e-6)
    assert pd.isna(row.station_id)
    assert row.standard_uncertainty_db > 0.5
    assert "computed by the fit" in row.note


def test_nothing_is_said_but_below_or_above() -> None:
    """Every published criterion, compared with something: no sentence says more than it may."""
    allowed = re.compile(
        r"measured level is (at least )?\d+\.\d dB (below|above) \(standard uncertainty \d+\.\d dB\)"
        r"|measured level is at (least|most) -?\d+\.\d dB( \(clipped\))?: .* cannot be shown"
        r"|measured level is not known: .* cannot be shown"
    )
    settings = Settings(weightings=())
    base = campaign(settings=settings).model_copy(update={"criteria": CRITERIA})
    table = strikes([140.0, 150.0, 175.0], [170.0, 180.0, 225.0], ["none", "at_least", "none"])
    found = limit_rows(table, sums(period="24_h_from_first_strike"), NO_SUMMARY, None, base)
    assert len(found) >= len(CRITERIA)
    for row in found.to_dict("records"):
        text = f"{row['statement']} {row['note']}"
        if row["outcome"] != "not_compared":
            assert allowed.fullmatch(row["statement"]), text
        assert not re.search(r"compl(y|ies|iant)|safe|harm|accept|violat|exceed(s|ed) the", text), text
        assert row["source"]


def test_bounds_of_statistics() -> None:
    low, high = np.array([150.0, -np.inf, 160.0]), np.array([150.0, 140.0, 160.0])
    assert statistic_bounds("maximum", low, high).one
    assert statistic_bounds("mean", low, high).lowest_db == -math.inf
    assert statistic_bounds("mean", low, high).highest_db == pytest.approx(150.0)
    energy = statistic_bounds("energy_mean", low, high)
    assert energy.lowest_db == pytest.approx(10 * math.log10((10**15 + 10**16) / 3))
    assert energy.highest_db == pytest.approx(10 * math.log10((10**14 + 10**15 + 10**16) / 3))
    clipped = statistic_bounds("median", np.array([150.0, 151.0, 152.0]), np.array([150.0, np.inf, np.inf]))
    assert (clipped.lowest_db, clipped.highest_db) == (151.0, math.inf)


def test_sampling_errors() -> None:
    levels = np.random.default_rng(4).normal(160.0, 2.0, 900)
    assert sampling_error_db("maximum", levels) == 0.0
    assert sampling_error_db("mean", levels) == pytest.approx(2.0 / 30.0, rel=0.1)
    # closed form for independent normal levels: √(p(1-p))/φ(z) σ/√n = 2.11 σ/√n at 95 %
    assert sampling_error_db("exceeded_5", levels) == pytest.approx(2.11 * 2.0 / 30.0, rel=0.35)


@pytest.mark.parametrize("slope", [15.0, 20.0])
def test_a_sum_brought_to_the_limits_distance_has_that_uncertainty(slope: float) -> None:
    """At 780 m of 750 m: the slope's rectangular ±5 dB per decade, and 39 m of the distance (5 %)."""
    base = campaign(settings=Settings(weightings=()))
    known = [r for r in base.ranges if r.station_id == "NEAR" and r.pile_id == "P1"]
    moved = known[0].model_copy(update={"range_m": 780.0, "standard_uncertainty_m": 39.0})
    there = base.model_copy(update={"ranges": (moved,)})
    limit = SUM.model_copy(update={"range_m": 750.0, "slope_db_per_decade": slope})
    row = only(compared(limit, exposure=sums(), there=there))
    decades = math.log10(780.0 / 750.0)
    assert row.measured_db == pytest.approx(180.0 + slope * decades)
    u = math.hypot(0.7, 0.5, 5.0 / math.sqrt(3.0) * decades, slope / math.log(10.0) * 0.05)
    assert row.standard_uncertainty_db == pytest.approx(u)
