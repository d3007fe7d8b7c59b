"""Invented campaigns as level tables, without audio: the truth of every number is known."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from reconcile.vocabulary.documents.campaign import (
    Campaign,
    Pile,
    PileStationRange,
    PredictedRange,
    Prediction,
    Settings,
    Station,
    System,
)
from reconcile.vocabulary.quantities import energy_mean_db, energy_sum_db

START = datetime(2026, 5, 1, tzinfo=UTC)
NO_BANDS = pd.DataFrame({"strike_id": pd.Series(dtype=object), "station_id": pd.Series(dtype=object)})


def pile(pile_id: str, **changes: object) -> Pile:
    """A monopile driven by impact without abatement, predicted by P1."""
    facts: dict[str, object] = {
        "foundation_type": "monopile",
        "installation_method": "impact",
        "diameter_m": 9.5,
        "water_depth_m": 30.0,
        "abatement": "none",
        "start_utc": START,
        "end_utc": START,
        "prediction_id": "P1",
    }
    return Pile(pile_id=pile_id, **(facts | changes))  # type: ignore[arg-type]


def campaign(
    piles: Sequence[Pile],
    ranges_m: dict[tuple[str, str], float],
    predictions: Sequence[Prediction] = (),
    predicted_ranges: Sequence[PredictedRange] = (),
    chain_db: float = 0.7,
    common_db: float = 0.5,
    weightings: tuple[str, ...] = (),
    margin_db: float = 3.0,
) -> Campaign:
    """One chain for each station; stations are those of the ranges."""
    stations = list(dict.fromkeys(station for _, station in ranges_m))
    return Campaign(
        name="invented",
        sound_speed_m_s=1490.0,
        common_uncertainty_db=common_db,
        settings=Settings(weightings=weightings, equivalence_margin_db=margin_db),
        systems=tuple(System(id=f"H-{s}", standard_uncertainty_db=chain_db) for s in stations),
        stations=tuple(
            Station(id=s, system=f"H-{s}", recordings="*.wav", mooring_id=s, hydrophone_depth_m=15.0) for s in stations
        ),
        piles=tuple(piles),
        ranges=tuple(
            PileStationRange(pile_id=p, station_id=s, range_m=r, source="ranges.csv") for (p, s), r in ranges_m.items()
        ),
        predictions=tuple(predictions),
        predicted_ranges=tuple(predicted_ranges),
    )


def strikes(
    cells: dict[tuple[str, str], float],
    level_db: Callable[[str, str, float], np.ndarray],
    energy_kj: Callable[[str], np.ndarray] | None = None,
) -> pd.DataFrame:
    """Strikes of each pile and station (`cells` holds the ranges); `level_db` gives the exposure levels of a cell."""
    frames = []
    for (pile_id, station_id), range_m in cells.items():
        level = np.asarray(level_db(pile_id, station_id, range_m), dtype=float)
        number = np.arange(level.size)
        frames.append(
            pd.DataFrame(
                {
                    "strike_id": [f"{pile_id}-{k:05d}" for k in number],
                    "pile_id": pile_id,
                    "station_id": station_id,
                    "system_id": f"H-{station_id}",
                    "mooring_id": station_id,
                    "time_utc": pd.Timestamp(START) + pd.to_timedelta(2 * number, unit="s"),
                    "range_m": range_m,
                    "energy_kj": energy_kj(pile_id) if energy_kj else np.nan,
                    "peak_level_db": level + 20.0,
                    "exposure_level_db": level,
                    "rms_level_db": level + 9.0,
                    "peak_censoring": "none",
                    "exposure_censoring": "none",
                }
            )
        )
    table = pd.concat(frames, ignore_index=True)
    table["flags"] = [[] for _ in range(len(table))]
    return table


def summary(table: pd.DataFrame) -> pd.DataFrame:
    """The summary's exposure rows, as far as comparisons use them."""
    rows = []
    for (pile_id, station_id), part in table.groupby(["pile_id", "station_id"]):
        level = part["exposure_level_db"].to_numpy()
        rows.append(
            {
                "pile_id": pile_id,
                "station_id": station_id,
                "quantity": "exposure_level",
                "weighting": "none",
                "band_hz": np.nan,
                "range_m": float(part["range_m"].iloc[0]),
                "n_strikes": len(part),
                "n_censored": 0,
                "mean_db": float(level.mean()),
                "energy_mean_db": energy_mean_db(level),
                "median_db": float(np.median(level)),
                "exceeded_5_db": float(np.percentile(level, 95)),
                "maximum_db": float(level.max()),
                "cumulative_exposure_level_db": energy_sum_db(level),
                "standard_uncertainty_db": 0.9,
            }
        )
    return pd.DataFrame(rows)


def prediction(range_m: float, level_db: float, **changes: object) -> Prediction:
    """One row of predictions.csv: the mean exposure level without abatement."""
    facts: dict[str, object] = {
        "line": 2,
        "prediction_id": "P1",
        "quantity": "exposure_level",
        "statistic": "mean",
        "abatement": "none",
        "model_id": "M1",
    }
    return Prediction(range_m=range_m, level_db=level_db, **(facts | changes))  # type: ignore[arg-type]


def line_db(range_m: float | np.ndarray, level_at_750_m: float, coefficient: float) -> np.ndarray:
    """A straight line on the logarithm of range."""
    return np.asarray(level_at_750_m - coefficient * np.log10(np.asarray(range_m, dtype=float) / 750.0))
