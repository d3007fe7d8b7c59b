"""How far the levels can be trusted: field checks of the chains, and the budget of the mean exposure level."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from reconcile.report.evidence import Evidence
from reconcile.report.formatting import decibels, hertz, instant, signed
from reconcile.report.tables.table import Body, Head, Table, one_body
from reconcile.vocabulary.documents.manifest import FieldCheckEntry

_COMMON_TO = {"strike": "each strike", "system": "the chain", "campaign": "all chains"}


def field_check_table(evidence: Evidence) -> Table:
    """Each calibrator tone: what was found, and how it differs from the chain as stated."""
    head = (
        Head("Chain", numeric=False),
        Head("Recording", numeric=False),
        Head("When", numeric=False),
        Head("Tone", "Hz"),
        Head("In the coupler", "dB re 1 µPa"),
        Head("Recorded", "dB re full scale"),
        Head("Sensitivity found", "dB re (full scale)/µPa"),
        Head("Stated", "dB re (full scale)/µPa"),
        Head("Found minus stated", "dB"),
        Head("Standard uncertainty", "dB"),
        Head("Remarks", numeric=False, wide=True),
    )
    return one_body(head, [_field_check(entry) for entry in evidence.manifest.field_checks])


def _field_check(entry: FieldCheckEntry) -> tuple[str, ...]:
    when = instant(entry.time_utc) if entry.time_utc is not None else (entry.when or "")
    return (
        entry.system_id,
        entry.file,
        when,
        hertz(entry.measured_frequency_hz or entry.frequency_hz).removesuffix("Hz").strip(),
        decibels(entry.level_db),
        decibels(entry.tone_level_db, 2),
        decibels(entry.sensitivity_db, 2),
        decibels(entry.stated_sensitivity_db, 2),
        signed(entry.difference_db, 2),
        decibels(entry.standard_uncertainty_db, 2),
        entry.problem or entry.hint,
    )


def budget_table(evidence: Evidence) -> Table:
    """What the uncertainty of the mean exposure level is made of, by station; the scatter is that of the worst pile."""
    head = (
        Head("Component", numeric=False),
        Head("Common to", numeric=False),
        Head("Standard uncertainty", "dB"),
        Head("Counted", numeric=False),
        Head("Source", numeric=False, wide=True),
    )
    rows = evidence.uncertainty
    if rows is None or rows.empty:
        return Table(head, ())
    bodies = []
    for station_id in evidence.station_ids:
        here = rows[rows["station_id"] == station_id]
        if len(here):
            bodies.append(Body(tuple(_budget_rows(here)), station_id, f"chain {', '.join(here['system_id'].unique())}"))
    return Table(head, tuple(bodies))


def _budget_rows(rows: pd.DataFrame) -> Iterable[tuple[str, ...]]:
    for component, group in rows.groupby("component", sort=False):
        worst = group.sort_values("standard_uncertainty_db").iloc[-1]
        several = len(group) > 1 and group["standard_uncertainty_db"].nunique() > 1
        source = f"{worst['source']}; the largest of {len(group)} piles" if several else str(worst["source"])
        yield (
            str(component),
            _COMMON_TO[str(worst["common_to"])],
            decibels(float(worst["standard_uncertainty_db"]), 2),
            "yes" if worst["counted"] else "no",
            source,
        )
