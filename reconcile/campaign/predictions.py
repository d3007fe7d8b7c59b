"""Reads predictions.csv and predicted_ranges.csv: what was predicted before construction."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

from reconcile.campaign.csv_tables import Column, read_table
from reconcile.campaign.faults import CellFault, Findings, id_needed, name_needed
from reconcile.campaign.piles import FOUNDATION_TYPES, INSTALLATION_METHODS
from reconcile.vocabulary.decidecades import band_number
from reconcile.vocabulary.documents.campaign import PredictedRange, Prediction, QuantityName, Statistic
from reconcile.vocabulary.weightings import WEIGHTINGS

FILE = "predictions.csv"
RANGES_FILE = "predicted_ranges.csv"
RECEIVER_WORDS = ("maximum_over_depth", "mean_over_depth")
_DEPTH = re.compile(r"[0-9]+(\.[0-9]*)?|\.[0-9]+")


def receiver_needed(text: str) -> str:
    """What a receiver must be, where this text is not one; else an empty string."""
    if text in RECEIVER_WORDS or _DEPTH.fullmatch(text):
        return ""
    return f"a depth in metres, or one of {', '.join(RECEIVER_WORDS)}"


_ID = Column("prediction_id", filled=True, needed=id_needed)
_QUANTITY = Column("quantity", filled=True, words=get_args(QuantityName))
_WEIGHTING = Column("weighting", filled=True, words=("none", *WEIGHTINGS))
_RANGE = Column("range_m", "number", filled=True, above=0)
_MODEL = (
    Column("model_id", optional=True, needed=name_needed),
    Column("abatement", optional=True),
    Column("receiver", optional=True, needed=receiver_needed),
)
COLUMNS = (
    _ID,
    _QUANTITY,
    _WEIGHTING,
    Column("band_hz", "number", above=0),
    _RANGE,
    Column("level_db", "number", filled=True),
    Column("standard_deviation_db", "number", at_least=0),
    Column("statistic", words=get_args(Statistic)),
    Column("energy_kj", "number", above=0),
    *_MODEL,
    Column("n_strikes", "count", optional=True, at_least=1),
    Column("n_piles", "count", optional=True, at_least=1),
    Column("bearing_deg", "number", optional=True, at_least=-360, at_most=360),
    Column("foundation_type", optional=True, words=FOUNDATION_TYPES),
    Column("installation_method", optional=True, words=INSTALLATION_METHODS),
    Column("diameter_m", "number", optional=True, above=0),
    Column("water_depth_m", "number", optional=True, above=0),
)
RANGE_COLUMNS = (
    _ID,
    _QUANTITY,
    _WEIGHTING,
    Column("threshold_db", "number", filled=True),
    _RANGE,
    *_MODEL,
    Column("statistic", optional=True, words=get_args(Statistic)),
    Column("range_statistic", optional=True, words=("mean", "r95", "maximum")),
    Column("energy_kj", "number", optional=True, above=0),
    Column("n_strikes", "count", optional=True, at_least=1),
)


@dataclass(frozen=True, slots=True)
class PredictionList:
    """The predictions without a fault, and the ids of all."""

    predictions: tuple[Prediction, ...]
    ids: frozenset[str]


def read_predictions(path: Path, findings: Findings) -> PredictionList | None:
    """Read and check predictions.csv; None where it is no such table. Levels are in dB, ranges in metres."""
    table = read_table(path, COLUMNS, findings)
    if table is None:
        return None
    bands = table.numbers["band_hz"].tolist()
    hints = {row: _band_hint(bands[row]) for row in table.good_rows("band_hz") if bands[row] > 0}
    needed = "the nominal frequency of a decidecade band"
    faults = {row: CellFault(table.lines[row], f"{bands[row]:g}", needed, hint) for row, hint in hints.items() if hint}
    table.add_faults("band_hz", faults, findings)
    predictions = tuple(Prediction(line=line, **values) for line, values in table.records())
    _check_one_level(predictions, findings)
    _check_piles_a_day(predictions, findings)
    return PredictionList(predictions, frozenset(table.texts["prediction_id"]) - {""})


def read_predicted_ranges(path: Path, findings: Findings) -> tuple[PredictedRange, ...]:
    """Read and check predicted_ranges.csv: the rows without a fault."""
    table = read_table(path, RANGE_COLUMNS, findings)
    return () if table is None else tuple(PredictedRange(line=line, **values) for line, values in table.records())


def _band_hint(band_hz: float) -> str:
    try:
        band_number(band_hz)
    except ValueError as error:
        return str(error)
    return ""


def _check_piles_a_day(predictions: tuple[Prediction, ...], findings: Findings) -> None:
    """Only a sum can be of several piles."""
    wrong = [row for row in predictions if (row.n_piles or 1) > 1 and row.quantity != "cumulative_exposure_level"]
    needed = "no number of piles, or the quantity cumulative_exposure_level: another level is of one strike"
    findings.cells(FILE, "n_piles", [CellFault(row.line, f"{row.n_piles} ({row.quantity})", needed) for row in wrong])


def _check_one_level(predictions: tuple[Prediction, ...], findings: Findings) -> None:
    """Rows equal in all but range and level make a curve: it has one level at each range."""
    first: dict[tuple[object, ...], int] = {}
    faults = []
    for prediction in predictions:
        key = tuple(prediction.model_dump(exclude={"line", "level_db", "standard_deviation_db"}).values())
        if first.setdefault(key, prediction.line) != prediction.line:
            found = f"a second level at {prediction.range_m:g} m (first on line {first[key]})"
            faults.append(CellFault(prediction.line, found, "one level at each range of one prediction"))
    findings.cells(FILE, "", faults)
