"""Tables of insertion loss: peak, exposure, rms and weighted levels side by side; place by place."""

from __future__ import annotations

from collections.abc import Container

import pandas as pd

from reconcile.report.evidence import Evidence
from reconcile.report.formatting import MISSING, between, count, decibels, signed
from reconcile.report.tables.table import Body, Head, Record, Table, number, text
from reconcile.report.words import flag_meaning, group_words, sentence_case, short_quantity_words

_BOUNDS = {"at_least": "≥ ", "at_most": "≤ "}


def full_band(evidence: Evidence) -> pd.DataFrame:
    """Rows without a band; none where nothing was abated, or nothing was not."""
    table = evidence.insertion_loss
    return pd.DataFrame({"abatement": []}) if table is None else table[table["band_hz"].isna()]


def side_by_side_table(evidence: Evidence, abatements: Container[str] | None = None) -> Table:
    """All full-band levels at all places together: a body for each abatement."""
    head = (
        *text("Level"),
        Head("Insertion loss", "dB"),
        Head("95 % interval", "dB"),
        Head("Standard uncertainty", "dB"),
        Head("Of the plain difference, energies explain", "dB"),
        Head("Piles with, without, both"),
        Head("Places that heard both"),
    )
    rows = full_band(evidence)
    rows = rows[rows["mooring_id"].isna()] if len(rows) else rows
    bodies = []
    for (foundation, abatement), own in rows.groupby(["foundation_type", "abatement"], sort=False) if len(rows) else ():
        if abatements is None or abatement in abatements:
            title = sentence_case(group_words("impact", str(foundation), str(abatement)))
            bodies.append(Body(tuple(_row(r) for r in own.to_dict("records")), title, "against no abatement"))
    return Table(head, tuple(bodies))


def place_table(evidence: Evidence) -> Table:
    """The exposure level place by place."""
    head = (
        *text("Place"),
        Head("Insertion loss", "dB"),
        Head("95 % interval", "dB"),
        Head("Standard uncertainty", "dB"),
        Head("Piles with, without, both"),
        Head("Strikes with, without"),
    )
    rows = full_band(evidence)
    if len(rows):
        rows = rows[rows["mooring_id"].notna() & (rows["quantity"] == "exposure_level") & (rows["weighting"] == "none")]
    bodies = []
    for (foundation, abatement), own in rows.groupby(["foundation_type", "abatement"], sort=False) if len(rows) else ():
        title = sentence_case(group_words("impact", str(foundation), str(abatement)))
        bodies.append(Body(tuple(_place_row(r) for r in own.to_dict("records")), title))
    return Table(head, tuple(bodies))


def loss_words(record: Record) -> str:
    """The loss with what is known of it: `10.2`, `≥ 12.0`."""
    return _BOUNDS.get(str(record["censoring"]), "") + decibels(number(record, "insertion_loss_db"))


def interval_words(record: Record) -> str:
    """Its interval, or the end that is known."""
    low, high = number(record, "lower_95_db"), number(record, "upper_95_db")
    if low is None or high is None:
        return (
            MISSING
            if low is None and high is None
            else f"from {decibels(low)}"
            if high is None
            else f"to {decibels(high)}"
        )
    return between(low, high)


def _piles(record: Record) -> str:
    return ", ".join(count(number(record, name)) for name in ("n_piles", "n_reference_piles", "n_paired_piles"))


def _row(record: Record) -> tuple[str, ...]:
    return (
        sentence_case(short_quantity_words(str(record["quantity"]), str(record["weighting"]))),
        loss_words(record),
        interval_words(record),
        decibels(number(record, "standard_uncertainty_db")),
        signed(number(record, "energy_shift_db")),
        _piles(record),
        count(number(record, "n_paired_places")),
    )


def _place_row(record: Record) -> tuple[str, ...]:
    strikes = (number(record, "n_strikes"), number(record, "n_reference_strikes"))
    return (
        str(record["mooring_id"]),
        loss_words(record),
        interval_words(record),
        decibels(number(record, "standard_uncertainty_db")),
        _piles(record),
        ", ".join(count(n) for n in strikes),
    )


def flag_notes(evidence: Evidence) -> list[str]:
    """What the full-band rows at all places are flagged with, and of which abatement."""
    rows = full_band(evidence)
    rows = rows[rows["mooring_id"].isna()] if len(rows) else rows
    found: dict[str, dict[str, None]] = {}
    for row in rows.to_dict("records"):
        for flag in row["flags"]:
            found.setdefault(str(flag), {})[str(row["abatement"])] = None
    return [f"{sentence_case(flag_meaning(flag))}: {'; '.join(names)}." for flag, names in found.items()]
