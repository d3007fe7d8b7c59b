"""What the page is sent: the campaign, a station's strikes by column, envelopes, pressure, one strike's view."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.review.doubt import FLAGS_OF_DOUBT
from reconcile.review.envelopes import Columns
from reconcile.review.packing import packed
from reconcile.review.session import Review
from reconcile.review.strike_sound import PressureColumns
from reconcile.review.strike_view import StrikeView
from reconcile.strikes.exposure_periods import microseconds
from reconcile.vocabulary.documents.decisions import ACTIONS
from reconcile.vocabulary.quantities import FloatArray, mean_square_level_db
from reconcile.vocabulary.tables.flags import FLAGS, NOT_STRIKES, Stage
from reconcile.vocabulary.tables.rejected import REASONS

_CENSORING = {"none": 0, "at_least": 1, "at_most": 2}
_NUMBERS = ("energy_kj", "exposure_level_db", "peak_level_db", "signal_to_noise_db", "doubt")
_OTHERS = ("station_id", "range_m", "exposure_level_db", "exposure_censoring", "signal_to_noise_db", "flags", "kind")
DOUBTS = {
    "near_censoring": "signal to noise within 3 dB of the limit below which a level is only an upper limit",
    "stations_disagree": "the level lies more than 6 dB off what the other stations heard of this strike",
    "one_place_only": "heard at one place only, though others were recording",
    "rejected_for_few_reasons": "a rule took it out, for two reasons at most: is it a strike after all?",
}


def campaign(review: Review, opened: str) -> dict[str, Any]:
    """What the page needs to know of the whole campaign. `opened` names this opening of the results."""
    table = review.table
    counts = table["station_id"].value_counts()
    doubtful = table.loc[table["doubt"] > 0, "station_id"].value_counts()
    stations = [
        {
            "id": station.id,
            "system": station.system,
            "spans_us": review.envelopes.spans_us(station.id),
            "n": int(counts.get(station.id, 0)),
            "n_doubtful": int(doubtful.get(station.id, 0)),
        }
        for station in review.campaign.stations
    ]
    return {
        "opened": opened,
        "name": review.campaign.name,
        "folder": review.folder.resolve().name,
        "censor_below_snr_db": review.campaign.settings.censor_below_snr_db,
        "stations": stations,
        "piles": [pile.pile_id for pile in review.campaign.piles],
        "actions": list(ACTIONS),
        "flags": {name: _meaning(name) for name in sorted(_known_flags(table))},
        "doubts": {name: {"meaning": _meaning(name)["meaning"], "weight": w} for name, w in FLAGS_OF_DOUBT.items()}
        | {name: {"meaning": text} for name, text in DOUBTS.items()},
    }


def _known_flags(table: pd.DataFrame) -> set[str]:
    return {str(name) for own in table["flags"] for name in own}


def _meaning(name: str) -> dict[str, Any]:
    """A flag's meaning and what it takes a strike out of; of a rejected pulse the reason."""
    flag = FLAGS.get(name)
    if flag is None:
        return {"meaning": REASONS.get(name, ""), "out_of": [], "reason": name in REASONS}
    out_of = [stage.value for stage in Stage if stage in flag.excluded_from]
    return {"meaning": flag.meaning, "out_of": out_of, "no_strike": name in NOT_STRIKES, "reason": name in REASONS}


def strikes(review: Review, station_id: str, opened: str) -> bytes:
    """All rows of a station by column; `place` names a strike, sets of flags and doubts are numbered."""
    own = np.flatnonzero((review.table["station_id"] == station_id).to_numpy(dtype=bool))
    table = review.table.iloc[own]
    flag_sets, flags = _numbered(table["flags"])
    doubt_sets, doubts = _numbered(table["doubts"])
    piles, pile = _numbered([[name] if isinstance(name, str) else [] for name in table["pile_id"]])
    censoring = table["exposure_censoring"].map(_CENSORING).fillna(0).to_numpy(dtype=np.uint8)
    numbers = {name: table[name].to_numpy(dtype=np.float32, na_value=np.nan) for name in _NUMBERS}
    head = {
        "opened": opened,
        "station_id": station_id,
        "piles": [own[0] if own else None for own in piles],
        "flag_sets": flag_sets,
        "doubt_sets": doubt_sets,
        "strike_id": [name if isinstance(name, str) else None for name in table["strike_id"]],
    }
    return packed(
        head,
        {
            "time_us": microseconds(table["time_utc"]).astype(np.float64),
            "place": own.astype(np.int32),
            "blow_number": table["blow_number"].to_numpy(dtype=np.float32, na_value=np.nan),
            "pile": pile,
            "rejected": (table["kind"] == "rejected").to_numpy(dtype=np.uint8),
            "censoring": censoring,
            "flags": flags,
            "doubts": doubts,
            **numbers,
        },
    )


def _numbered(sets: Sequence[Any] | pd.Series) -> tuple[list[list[str]], NDArray[np.int32]]:
    """The different sets of names, and for each row the number of its own."""
    known: dict[tuple[str, ...], int] = {}
    numbers = [known.setdefault(tuple(own), len(known)) for own in sets]
    return [[str(name) for name in own] for own in known], np.array(numbers, dtype=np.int32)


def levels(columns: Columns) -> bytes:
    """An envelope as levels of 1 ms mean squares (dB re 1 µPa), NaN where nothing was recorded."""
    edges = {"from_us": columns.edges_us[0], "to_us": columns.edges_us[-1]}
    named = {"lowest": columns.lowest_pa2, "mean": columns.mean_pa2, "highest": columns.highest_pa2}
    return packed(edges, {name: _level_db(values) for name, values in named.items()})


def _level_db(mean_square_pa2: FloatArray) -> NDArray[np.float32]:
    return mean_square_level_db(np.maximum(mean_square_pa2, 1e-20)).astype(np.float32)


def pressure(columns: PressureColumns) -> bytes:
    """Least and largest pressure (Pa) by column."""
    edges = {"from_us": columns.edges_us[0], "to_us": columns.edges_us[-1]}
    named = {"lowest": columns.lowest_pa, "highest": columns.highest_pa}
    return packed(edges, {name: values.astype(np.float32) for name, values in named.items()})


def view(review: Review, place: int, t5_us: int, shown: StrikeView, same_strike: Sequence[int]) -> bytes:
    """One strike, whose `time_utc` is `t5_us`; times are seconds from the start of its interval (`interval_us`)."""
    row = review.row(place)
    others = [other for other in same_strike if other != place]
    since_s = shown.energy_5_s if shown.energy_5_s is not None else 0.0
    picture = shown.spectrogram
    head = {
        "place": place,
        "row": row,
        "station_id": shown.station_id,
        "rate_hz": shown.rate_hz,
        "start_s": shown.start_s,
        "interval_us": t5_us - round(since_s * 1e6),
        "window_s": shown.window_s,
        "quiet_s": shown.quiet_s,
        "energy_5_s": shown.energy_5_s,
        "energy_95_s": shown.energy_95_s,
        "spectrogram": {"n_times": len(picture.time_s), "n_frequencies": len(picture.frequency_hz)},
        "others": [{"place": int(o), **{k: v for k, v in review.row(o).items() if k in _OTHERS}} for o in others],
    }
    arrays: dict[str, NDArray[Any]] = {
        "pressure_pa": shown.pressure_pa.astype(np.float32),
        "energy_share": (np.zeros(0) if shown.energy_share is None else shown.energy_share).astype(np.float32),
        "time_s": picture.time_s.astype(np.float32),
        "frequency_hz": picture.frequency_hz.astype(np.float32),
        "level_cdb": np.clip(np.round(picture.level_db.ravel() * 100.0), -32768, 32767).astype(np.int16),
    }
    return packed(head, arrays)
