"""A small results folder as the report takes it: two struck piles, one vibrated pile, two stations, levels made up."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from reconcile.report import Evidence
from reconcile.vocabulary.decidecades import nominal_hz
from reconcile.vocabulary.documents.bias import Bias, BiasDocument, ThresholdComparison
from reconcile.vocabulary.documents.campaign import (
    Campaign,
    Pile,
    PileStationRange,
    Prediction,
    Settings,
    Station,
    System,
)
from reconcile.vocabulary.documents.correction import Correction, CorrectionCoefficients, CorrectionDocument, Scope
from reconcile.vocabulary.documents.fit import Coefficient, Covariance, Fit, FitCoefficients, FitDocument, SmallSample
from reconcile.vocabulary.documents.manifest import (
    ChainEntry,
    ChainStageEntry,
    Clocks,
    LogClockEntry,
    Manifest,
    RecordingEntry,
    Stage,
    StreamEntry,
)
from reconcile.vocabulary.tables import COMPARISON, EXPOSURE, SUMMARY, UNPAIRED
from reconcile.vocabulary.tables.bands import exposure_column, noise_column

START = datetime(2031, 5, 12, 8, 30, tzinfo=UTC)
BANDS = (18, 20, 22)
N_STRIKES = 6
PILES, STATIONS = ("P1", "P2", "V1"), ("S1", "S2")
RANGES = {("P1", "S1"): 520.0, ("P1", "S2"): 2600.0, ("P2", "S1"): 790.0, ("P2", "S2"): 3100.0,
          ("V1", "S1"): 640.0, ("V1", "S2"): 2200.0}  # fmt: skip


def campaign(names: dict[str, str] | None = None) -> Campaign:
    """The campaign. `names` replaces names: campaign, P1, S1, H1, prediction, model, abatement."""
    n = names or {}
    piles = tuple(
        Pile(
            pile_id=n.get(pile_id, pile_id),
            foundation_type="monopile",
            installation_method="vibratory" if pile_id == "V1" else "impact",
            diameter_m=9.5,
            abatement=n.get("abatement", "none"),
            start_utc=START + timedelta(hours=i),
            end_utc=START + timedelta(hours=i, minutes=5),
            prediction_id=None if pile_id == "V1" else n.get("prediction", "MONO"),
        )
        for i, pile_id in enumerate(PILES)
    )
    stations = tuple(
        Station(id=n.get(s, s), system=n.get("H1", "H1"), recordings=f"recordings/{i}/*.wav", mooring_id=s)
        for i, s in enumerate(STATIONS)
    )
    ranges = tuple(
        PileStationRange(pile_id=n.get(p, p), station_id=n.get(s, s), range_m=r, source="ranges.csv")
        for (p, s), r in RANGES.items()
    )
    predictions = tuple(
        Prediction(
            line=2 + i,
            prediction_id=n.get("prediction", "MONO"),
            quantity="exposure_level",
            range_m=r,
            level_db=level,
            statistic="median",
            energy_kj=2000.0,
            model_id=n.get("model", "unnamed"),
        )
        for i, (r, level) in enumerate(((400.0, 182.0), (1000.0, 175.5), (4000.0, 164.0)))
    )
    return Campaign(
        name=n.get("campaign", "Test bank"),
        sound_speed_m_s=1490.0,
        common_uncertainty_db=0.4,
        settings=Settings(weightings=("nmfs-2024:LF",)),
        systems=(System(id=n.get("H1", "H1"), end_to_end_sensitivity_db=-200.0, standard_uncertainty_db=0.6),),
        stations=stations,
        piles=piles,
        ranges=ranges,
        predictions=predictions,
        n_logged={n.get("P1", "P1"): 6, n.get("P2", "P2"): 6},
    )


def manifest(names: dict[str, str] | None = None) -> Manifest:
    """The manifest: one recording for each station, one refused, one cut short."""
    n = names or {}
    recordings = tuple(f"recordings/{i}/{n.get('file', 'a')}.wav" for i in range(2))
    stages = (
        ChainStageEntry(name="end to end", value=-200.0, unit="dB re 1 (full scale)/µPa", from_unit="µPa", to_unit="x"),
    )
    return Manifest(
        complete=False,
        inputs={"campaign.toml": "ab" * 32, recordings[0]: "cd" * 32},
        settings=Settings(weightings=("nmfs-2024:LF",)),
        clocks=Clocks(
            hammer_logs=(
                LogClockEntry(
                    pile_id=n.get("P1", "P1"), offset_s=1.678, drift_ppm=12.0, residual_sd_s=0.03, n_blows=6,
                    n_matched=6, ambiguous=False,
                ),
            ),
            station_offsets_s={n.get("S1", "S1"): 0.027, n.get("S2", "S2"): -0.027},
        ),
        chains=(
            ChainEntry(
                system_id=n.get("H1", "H1"), pascals_per_unit=10_000.0, standard_uncertainty_db=0.6,
                valid_from_hz=10.0, valid_to_hz=None, stages=stages,
            ),
        ),
        recordings=tuple(
            RecordingEntry(recording=r, rate_hz=48_000, channels=1, frames=4_800_000, sample_format="PCM_24")
            for r in recordings
        ),
        streams=tuple(
            StreamEntry(
                station_id=n.get(s, s), start_utc=START, end_utc=START + timedelta(hours=3), recordings=(recordings[i],)
            )
            for i, s in enumerate(STATIONS)
        ),
        refused={n.get("file", "bad.wav"): "it cannot be read"},
        damaged={"short.wav": "it ends after 3 of 70 s"},
        warnings=("a note on the input",),
        versions={"reconcile": "0.1.0"},
        stages=(
            Stage(stage="levels", started_utc=START + timedelta(days=1), ended_utc=START + timedelta(days=1, hours=1)),
            Stage(stage="report", started_utc=START + timedelta(days=2), ended_utc=START + timedelta(days=2)),
        ),
    )  # fmt: skip


def _level(pile: int, station: int) -> float:
    return 177.3 - 1.1 * pile - 12.6 * station


def strikes(names: dict[str, str] | None = None) -> pd.DataFrame:
    """Strikes of P1 and P2 at both stations; the last of P2 at S2 is a limit."""
    n = names or {}
    rows = []
    for p, pile_id in enumerate(PILES[:2]):
        for k in range(N_STRIKES):
            for s, station_id in enumerate(STATIONS):
                level = _level(p, s) + 0.3 * k
                limit = (p, k, s) == (1, N_STRIKES - 1, 1)
                rows.append(
                    {
                        "strike_id": f"{pile_id}-{k}",
                        "pile_id": n.get(pile_id, pile_id),
                        "station_id": n.get(station_id, station_id),
                        "time_utc": pd.Timestamp(START + timedelta(hours=p, seconds=2.0 * k)),
                        "energy_kj": np.nan if p == 1 else 600.0 + 200.0 * k,
                        "recording": n.get("file", f"recordings/{s}/a.wav"),
                        "start_sample": 1000 * k,
                        "exposure_level_db": level,
                        "peak_level_db": level + 25.0,
                        "exposure_censoring": "at_most" if limit else "none",
                        "peak_censoring": "none",
                        "exposure_censoring_nmfs_2024_lf": "none",
                        "flags": ["not_in_log"] if p == 1 else [],
                    }
                )
    return pd.DataFrame(rows)


def bands(names: dict[str, str] | None = None) -> pd.DataFrame:
    """Band levels of the same strikes."""
    table = strikes(names)[["strike_id", "station_id"]].copy()
    for n in BANDS:
        table[exposure_column(n)] = 150.0 - n
        table[noise_column(n)] = 90.0 - n
    return table


def summary(names: dict[str, str] | None = None) -> pd.DataFrame:
    """Statistics; no two numbers alike, so that each can be looked for in the page."""
    n = names or {}
    rows: list[dict[str, Any]] = []
    subjects = [("exposure_level", "none", np.nan), ("peak_level", "none", np.nan), ("rms_level", "none", np.nan),
                ("exposure_level", "nmfs-2024:LF", np.nan),
                *(("exposure_level", "none", nominal_hz(b)) for b in BANDS)]  # fmt: skip
    for i, (quantity, weighting, band_hz) in enumerate(subjects):
        for p, pile_id in enumerate(PILES):
            for s, station_id in enumerate(STATIONS):
                if pile_id == "V1" and quantity == "peak_level":
                    continue
                base = 100.0 + 11.31 * i + 3.17 * p + 1.43 * s
                rows.append(
                    {
                        "pile_id": n.get(pile_id, pile_id),
                        "station_id": n.get(station_id, station_id),
                        "quantity": quantity,
                        "weighting": weighting,
                        "band_hz": band_hz,
                        "range_m": RANGES[pile_id, station_id],
                        "n_strikes": N_STRIKES,
                        "n_censored": 1 if (p, s, i) == (1, 1, 0) else 0,
                        "mean_db": np.nan if (p, s, i) == (1, 1, 0) else base,
                        "median_db": base + 0.21,
                        "exceeded_5_db": base + 2.3,
                        "minimum_db": base - 4.4,
                        "maximum_db": base + 2.6,
                        "standard_uncertainty_db": 0.7,
                    }
                )
    return pd.DataFrame(rows).reindex(columns=list(SUMMARY.column_names))


def exposure(names: dict[str, str] | None = None) -> pd.DataFrame:
    """Cumulative exposure of each pile and of the day."""
    n = names or {}
    rows = []
    for s, station_id in enumerate(STATIONS):
        for period, pile_id in (("pile", "P1"), ("pile", "V1"), ("utc_day", None)):
            rows.append(
                {
                    "station_id": n.get(station_id, station_id),
                    "pile_id": None if pile_id is None else n.get(pile_id, pile_id),
                    "start_utc": pd.Timestamp(START),
                    "end_utc": pd.Timestamp(START + timedelta(minutes=5)),
                    "period": period,
                    "weighting": "none",
                    "installation_method": "vibratory" if pile_id == "V1" else "impact",
                    "n_piles": 1,
                    "n_logged": np.nan if pile_id == "V1" else 6.0,
                    "n_strikes": N_STRIKES,
                    "recorded_fraction": np.nan if pile_id == "V1" else 0.96,
                    "measured_db": 190.17 - s,
                    "upper_db": 190.27 - s,
                    "completed_db": 190.57 - s,
                    "censoring": "none",
                }
            )
    return pd.DataFrame(rows).reindex(columns=list(EXPOSURE.column_names))


def background(names: dict[str, str] | None = None) -> pd.DataFrame:
    """One-second levels while V1 was vibrated."""
    n = names or {}
    rows = [
        {
            "station_id": n.get(station_id, station_id),
            "pile_id": "V1",
            "start_utc": pd.Timestamp(START + timedelta(hours=2, seconds=k)),
            "duration_s": 1.0,
            "level_db": 131.0 - s + 0.1 * k,
            "flags": ["frame_incomplete"] if k == 0 else [],
        }
        for s, station_id in enumerate(STATIONS)
        for k in range(5)
    ]
    return pd.DataFrame(rows)


SMALL_SAMPLE = SmallSample(
    components=("residual",), gradients=(((0.1, 0.0, 0.0), (0.0, 0.1, 0.0), (0.0, 0.0, 0.0)),), covariance=((0.05,),)
)


def fit_document(names: dict[str, str] | None = None) -> FitDocument:
    """One chosen fit: 175 dB at 750 m, 17 dB per decade."""
    n = names or {}
    coefficients = FitCoefficients(
        level_at_reference_db=Coefficient(value=175.0, standard_error=0.8),
        spreading_coefficient_db_per_decade=Coefficient(value=17.0, standard_error=1.2),
        attenuation_db_per_km=Coefficient(value=0.0, standard_error=0.0),
        energy_coefficient_db_per_decade=Coefficient(value=10.0, standard_error=0.0),
    )
    matrix = ((0.64, 0.0, 0.0, 0.0), (0.0, 1.44, 0.0, 0.0), (0.0, 0.0, 0.0, 0.0), (0.0, 0.0, 0.0, 0.0))
    names4 = tuple(FitCoefficients.model_fields)
    fit = Fit(
        quantity="exposure_level", weighting="none", band_hz=None, installation_method="impact",
        foundation_type="monopile", abatement=n.get("abatement", "none"), model="spreading", selected=True,
        reference_range_m=750.0, coefficients=coefficients, covariance=Covariance(names=names4, matrix=matrix),
        residual_sd_db=0.6, pile_sd_db=1.1, system_sd_db=0.6, station_sd_db=1.0, reference_energy_kj=1800.0,
        n_observations=4, n_censored=1, n_piles=2, n_stations=2, range_min_m=520.0, range_max_m=3100.0,
        n_strikes=24, flags=("few_piles",), chosen_because="the simplest model", small_sample=SMALL_SAMPLE,
    )  # fmt: skip
    return FitDocument(fits=(fit,))


def bias(**changes: Any) -> Bias:
    """A bias of +2.4 dB (0.9 to 3.9 dB) at 750 m; `changes` replace fields."""
    whole = Bias(
        prediction_id="MONO", quantity="exposure_level", weighting="none", band_hz=None, n_piles=2, n_stations=2,
        mean_bias_db=2.61, standard_uncertainty_db=0.7, interval_95_db=(1.1, 4.1), model_id="unnamed",
        installation_method="impact", foundation_type="monopile", abatement="none", reference_range_m=750.0,
        bias_at_reference_db=2.4, bias_at_reference_interval_95_db=(0.9, 3.9),
        bias_at_reference_interval_90_db=(1.2, 3.6),
        spreading_bias_db_per_decade=Coefficient(value=1.5, standard_error=0.5),
        spreading_bias_interval_95_db=(0.4, 2.6),
        attenuation_bias_db_per_km=Coefficient(value=0.0, standard_error=0.0),
        covariance=Covariance(names=("a", "b", "c"), matrix=((0.5, 0, 0), (0, 0.2, 0), (0, 0, 0))),
        spread_between_piles_db=0.9, finding="overpredicts", statistic="median", n_pairs=4, equivalence_margin_db=3.0,
        common_uncertainty_db=0.4, residual_sd_db=0.5, station_sd_db=1.0, range_min_m=520.0, range_max_m=3100.0,
        small_sample=SMALL_SAMPLE,
    )  # fmt: skip
    return whole.model_copy(update=changes)


def comparison(names: dict[str, str] | None = None) -> pd.DataFrame:
    """Four pairs, one of them not counted."""
    n = names or {}
    rows = [
        {
            "pile_id": n.get(pile_id, pile_id),
            "station_id": n.get(station_id, station_id),
            "prediction_id": n.get("prediction", "MONO"),
            "quantity": "exposure_level",
            "weighting": "none",
            "band_hz": np.nan,
            "statistic": "median",
            "range_m": RANGES[pile_id, station_id],
            "n_strikes": N_STRIKES,
            "measured_db": _level(p, s) + 0.13,
            "measured_uncertainty_db": 0.7,
            "predicted_db": _level(p, s) + 2.63 + s,
            "predicted_extrapolated": False,
            "bias_db": 2.5 + s,
            "n_strikes_as_recorded": N_STRIKES + 3,
            "measured_as_recorded_db": _level(p, s),
            "model_id": n.get("model", "unnamed"),
            "installation_method": "impact",
            "foundation_type": "monopile",
            "abatement": n.get("abatement", "none"),
            "counted": (p, s) != (1, 1),
            "flags": ["carried"] if (p, s) == (0, 0) else [],
        }
        for p, pile_id in enumerate(PILES[:2])
        for s, station_id in enumerate(STATIONS)
    ]
    return pd.DataFrame(rows).reindex(columns=list(COMPARISON.column_names))


def unpaired(names: dict[str, str] | None = None) -> pd.DataFrame:
    """What found no partner."""
    row = dict.fromkeys(UNPAIRED.column_names) | {"pile_id": "V1", "reason": "the pile names no prediction"}
    return pd.DataFrame([row])


def thresholds(names: dict[str, str] | None = None) -> tuple[ThresholdComparison, ...]:
    """One distance measured, one not."""
    shared: dict[str, Any] = {
        "prediction_id": (names or {}).get("prediction", "MONO"), "quantity": "exposure_level", "weighting": "none",
        "installation_method": "impact", "foundation_type": "monopile", "abatement": "none", "statistic": "median",
    }  # fmt: skip
    return (
        ThresholdComparison(
            **shared, threshold_db=170.0, predicted_m=2551.0, measured_m=1957.7, interval_m=(1513.9, 2440.8),
            extrapolated=False,
        ),
        ThresholdComparison(
            **shared, threshold_db=140.0, predicted_m=9000.0, measured_m=None, interval_m=(None, None),
            extrapolated=True, reason="no fit of this quantity",
        ),
    )  # fmt: skip


def correction(names: dict[str, str] | None = None) -> CorrectionDocument:
    """The bias with its sign changed."""
    n = names or {}
    fixed = Coefficient(value=0.0, standard_error=0.0)
    entry = Correction(
        model_id=n.get("model", "unnamed"), quantity="exposure_level", weighting="none", band_hz=None,
        foundation_type="monopile", installation_method="impact", abatement=n.get("abatement", "none"),
        reference_range_m=750.0,
        coefficients=CorrectionCoefficients(
            offset_db=Coefficient(value=-2.4, standard_error=0.7), spreading_db_per_decade=fixed,
            attenuation_db_per_km=fixed,
        ),
        covariance=Covariance(names=("a", "b", "c"), matrix=((0.5, 0, 0), (0, 0.2, 0), (0, 0, 0))),
        spread_between_piles_db=0.9, n_piles=2, n_pairs=4, statistic="median", small_sample=SMALL_SAMPLE,
        scope=Scope(
            range_m=(520.0, 3100.0), energy_kj=(600.0, 1600.0), diameter_m=(9.5, 9.5), water_depth_m=(None, None)
        ),
    )  # fmt: skip
    return CorrectionDocument(project="Test bank", corrections=(entry,))


def levels_only(names: dict[str, str] | None = None) -> Evidence:
    """What there is after the levels stage."""
    return Evidence(
        campaign(names), manifest(names), strikes(names), bands(names), summary(names), exposure(names),
        background(names),
    )  # fmt: skip


def whole(names: dict[str, str] | None = None) -> Evidence:
    """What there is after all stages."""
    n = names or {}
    made = bias(
        prediction_id=n.get("prediction", "MONO"), model_id=n.get("model", "unnamed"),
        abatement=n.get("abatement", "none"),
    )  # fmt: skip
    first = levels_only(names)
    return Evidence(
        first.campaign, first.manifest, first.strikes, first.bands, first.summary, first.exposure, first.background,
        fit_document(names), comparison(names), unpaired(names),
        BiasDocument(biases=(made,), threshold_ranges=thresholds(names)), correction(names),
    )  # fmt: skip


def with_strikes(n_rows: int) -> Evidence:
    """The same campaign with many more rows of strikes, their levels scattered (fixed seed)."""
    evidence = whole()
    first = evidence.strikes
    times = -(-n_rows // len(first))
    many = pd.concat([first.assign(block=k) for k in range(times)], ignore_index=True).iloc[:n_rows]
    scatter = np.random.default_rng(11).normal(0.0, 1.5, (n_rows, 2))
    number = many["strike_id"].str[-1].astype(int) + N_STRIKES * many["block"]
    many["strike_id"] = many["pile_id"] + "-" + number.map("{:05d}".format)
    many["time_utc"] += pd.to_timedelta(2.0 * N_STRIKES * many["block"], unit="s")
    many["exposure_level_db"] += scatter[:, 0]
    many["peak_level_db"] += scatter[:, 1]
    many["start_sample"] += 96_000 * N_STRIKES * many["block"]
    levels = many[["strike_id", "station_id"]].copy()
    for n in BANDS:
        levels[exposure_column(n)] = 150.0 - n + scatter[:, 0]
        levels[noise_column(n)] = 90.0 - n
    return replace(evidence, strikes=many.drop(columns="block"), bands=levels)
