"""Fits from a table of levels alone, for people who have levels but no recordings."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from reconcile.spreading.cells import RANGE_BINS_PER_DECADE, CellIndex
from reconcile.spreading.fitting import fit_models
from reconcile.spreading.means import CodedStrikes, code_strikes, strike_means
from reconcile.spreading.subject import Subject, not_fitted
from reconcile.vocabulary.documents.fit import Fit, FitDocument, NotFitted
from reconcile.vocabulary.errors import Fault, InputError, MachineError, nearest, suggestion
from reconcile.vocabulary.quantities import QUANTITIES

_REQUIRED = ("range_m", "level_db")
_COVARIATES = ("diameter_m", "hydrophone_depth_m")
_OPTIONAL = (
    "quantity",
    "weighting",
    "band_hz",
    "pile_id",
    "station_id",
    "system_id",
    "energy_kj",
    "censoring",
    "penetration_m",
    *_COVARIATES,
)
_NUMBERS = ("range_m", "level_db", "band_hz", "energy_kj", "penetration_m", *_COVARIATES)
_POSITIVE = ("range_m", "band_hz", "energy_kj", "diameter_m")
_CENSORING = ("none", "at_least", "at_most")
MOST_CELLS = 300
_IDS = ("pile_id", "station_id", "system_id")


def read_levels(path: Path | str) -> pd.DataFrame:
    """Read and check TABLE.csv: `range_m, level_db` and optionally the other columns of the contract.

    Extra columns are left out. Raises InputError with every fault at once, by line and column.
    """
    file = Path(path)
    text = _read_text(file)
    missing = [name for name in _REQUIRED if name not in text.columns]
    unknown = [name for name in text.columns if name not in _REQUIRED + _OPTIONAL]
    if missing:
        raise InputError(
            Fault(
                file.name,
                f"header, column {name}",
                "no such column",
                f"a column {name}",
                f"is {near!r} meant for it?" if (near := nearest(name, unknown)) else "",
            )
            for name in missing
        )
    faults = list(_faults(text, file.name))
    if text.empty:
        faults.append(Fault(file.name, "", "no rows", "at least one row of range and level"))
    if faults:
        raise InputError(faults)
    return _typed(text)


def _read_text(file: Path) -> pd.DataFrame:
    """All cells as text without spaces at their ends, indexed by line of the file."""
    try:
        content = file.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError([Fault(file.name, "", "no such file", "a CSV file with range_m and level_db")]) from None
    except OSError as error:
        raise MachineError(str(file), error.strerror or str(error)) from None
    except UnicodeDecodeError as error:
        raise InputError([Fault(file.name, "", f"bytes that are not UTF-8 ({error.reason})", "UTF-8")]) from None
    reader = csv.reader(content.splitlines(keepends=True))
    header = [name.strip() for name in next(reader, [])]
    if not any(header):
        raise InputError([Fault(file.name, "", "no header", "comma-separated values with a header row")])
    rows, lines, faults = [], [], []
    for cells in reader:
        if len(cells) > len(header):
            found = f"{len(cells)} cells"
            faults.append(Fault(file.name, f"line {reader.line_num}", found, f"at most the header's {len(header)}"))
        elif any(cell.strip() for cell in cells):
            rows.append([cell.strip() for cell in cells] + [""] * (len(header) - len(cells)))
            lines.append(reader.line_num)
    doubled = sorted({name for name in header if name and header.count(name) > 1})
    faults += [Fault(file.name, f"header, column {name}", "the column twice", "each column once") for name in doubled]
    if faults:
        raise InputError(faults)
    return pd.DataFrame(rows, index=lines, columns=header, dtype=object)


def _faults(text: pd.DataFrame, file: str) -> Iterator[Fault]:
    checks: dict[str, tuple[Callable[[str], bool], str]] = {
        **dict.fromkeys(_NUMBERS, (_is_number, "a number")),
        **dict.fromkeys(_POSITIVE, (_is_positive, "a number above 0")),
        "quantity": (lambda cell: cell in QUANTITIES, "one of " + ", ".join(QUANTITIES)),
        "censoring": (lambda cell: cell in _CENSORING, "none, at_least or at_most"),
    }
    for name, (good, needed) in checks.items():
        if name not in text.columns:
            continue
        for line, cell in text[name].items():
            if cell == "" and name not in _REQUIRED:
                continue
            if not good(cell):
                known = {"quantity": tuple(QUANTITIES), "censoring": _CENSORING}.get(name, ())
                found = repr(cell) if cell else "an empty cell"
                yield Fault(file, f"line {line}, column {name}", found, needed, suggestion(cell, known))


def _is_number(cell: str) -> bool:
    try:
        return math.isfinite(float(cell))
    except ValueError:
        return False


def _is_positive(cell: str) -> bool:
    return _is_number(cell) and float(cell) > 0


def _typed(text: pd.DataFrame) -> pd.DataFrame:
    table = pd.DataFrame(index=pd.RangeIndex(len(text)))
    for name in (*_REQUIRED, *_OPTIONAL):
        if name not in text.columns:
            continue
        cells = text[name].reset_index(drop=True)
        blank = cells == ""
        table[name] = pd.to_numeric(cells.mask(blank)) if name in _NUMBERS else cells.astype(object).mask(blank, None)
    return table


def fit_levels(table: pd.DataFrame, reference_range_m: float = 750.0, *, robust: bool = False) -> FitDocument:
    """Fit every model to a table of levels, separately for each quantity, weighting and band.

    Columns as in TABLE.csv. Rows that share pile and station are strikes of one observation and enter as their mean.
    A column of ids that is missing makes rows independent in that respect; without any the fit is ordinary least
    squares. With energies (and penetrations) levels are brought to the medians. Rows that `censoring` marks as
    `at_most` or `at_least` are in the likelihood as limits. `robust` takes what is left of the cells as Student's t
    with four degrees of freedom (not where there are limits).
    """
    rows = table.reset_index(drop=True)
    for name, default in (("quantity", None), ("weighting", "none"), ("band_hz", np.nan), ("censoring", "none")):
        if name not in rows.columns:
            rows[name] = default
    rows["weighting"] = rows["weighting"].fillna("none")
    rows["censoring"] = rows["censoring"].fillna("none")
    rows["quantity"] = rows["quantity"].astype(object)
    fits: list[Fit] = []
    missing: list[NotFitted] = []
    for (quantity, weighting, band), part in rows.groupby(["quantity", "weighting", "band_hz"], dropna=False):
        named = Subject(
            quantity=quantity if isinstance(quantity, str) else None,
            weighting=str(weighting),
            band_hz=float(band) if isinstance(band, float) and band == band else None,
            reference_range_m=reference_range_m,
            robust=robust,
        )
        level = part["level_db"].to_numpy(np.float64)
        lowest = np.where(part["censoring"] == "at_most", -np.inf, level)
        highest = np.where(part["censoring"] == "at_least", np.inf, level)
        found = fit_models(strike_means(lowest, highest, _coded(part.reset_index(drop=True))), named)
        fits += found.fits
        if found.reason:
            missing.append(not_fitted(named, found.reason))
    return FitDocument(robust=robust, fits=tuple(fits), not_fitted=tuple(missing))


def _coded(rows: pd.DataFrame) -> CodedStrikes:
    """Rows of one pile at one station are strikes of one cell; without both ids every row is a cell.

    Of a long table with one of the ids, rows that share it within a twentieth of a decade of range are a cell: a
    covariance of all rows would not fit into memory.
    """
    named = {name: _labels(rows[name]) for name in _IDS if name in rows.columns and rows[name].notna().any()}
    alone = np.arange(len(rows))
    labels = pd.DataFrame(named, index=rows.index)
    numbers = {name: rows[name].astype(float) for name in _COVARIATES if name in rows.columns}
    code = np.asarray(alone, dtype=np.intp)
    if "pile_id" in named and "station_id" in named:
        code = np.asarray(labels.groupby(list(named), sort=True).ngroup(), dtype=np.intp)
    elif named and len(rows) > MOST_CELLS:
        near = np.floor(np.log10(rows["range_m"].to_numpy(np.float64)) * RANGE_BINS_PER_DECADE)
        code = np.asarray(labels.assign(near=near).groupby([*named, "near"], sort=True).ngroup(), dtype=np.intp)
    labels = labels.assign(**numbers).iloc[np.unique(code, return_index=True)[1]]
    labels = labels.rename(columns={"station_id": "mooring_id"})
    unknown = pd.Series(np.nan, index=rows.index)
    energy, penetration = (
        np.asarray(rows.get(name, unknown), dtype=np.float64) for name in ("energy_kj", "penetration_m")
    )
    piles = pd.Series(named["pile_id"]) if "pile_id" in named else pd.Series(alone)
    index = CellIndex(code, labels.reset_index(drop=True))
    return code_strikes(index, rows["range_m"].to_numpy(np.float64), energy, pd.Series(alone), piles, penetration)


def _labels(column: pd.Series) -> list[str]:
    """Ids as text; a row without one shares it with nobody."""
    return [f"row {row}" if pd.isna(value) else str(value) for row, value in column.items()]
