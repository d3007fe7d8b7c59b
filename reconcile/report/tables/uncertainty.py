"""How far the levels can be trusted: field checks of the chains, and the budget of the mean exposure level."""

from __future__ import annotations

import pandas as pd

from reconcile.report.evidence import Evidence
from reconcile.report.formatting import decibels, hertz, instant, signed
from reconcile.report.tables.table import Head, Table, one_body
from reconcile.report.words import sentence_case
from reconcile.vocabulary.documents.manifest import FieldCheckEntry
from reconcile.vocabulary.tables import UNCERTAINTY

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
    """What the uncertainty of the mean exposure level is made of: a row for each station, that of its worst pile."""
    rows = _budget(evidence)
    names = list(dict.fromkeys(rows["component"]))
    counted = set(rows.loc[rows["counted"], "component"])
    columns = (Head(sentence_case(name), "dB" if name in counted else "dB, not added") for name in names)
    head = (Head("Station", numeric=False), Head("Chain", numeric=False), *columns)
    bodies = []
    for station_id in evidence.station_ids:
        here = rows[rows["station_id"] == station_id]
        if len(here):
            worst = here.groupby("component")["standard_uncertainty_db"].max()
            systems = ", ".join(here["system_id"].unique())
            bodies.append((station_id, systems, *(decibels(worst.get(name), 2) for name in names)))
    return one_body(head, bodies)


def component_table(evidence: Evidence) -> Table:
    """Each component: to what it is common, and where it comes from."""
    head = (
        Head("Component", numeric=False),
        Head("Common to", numeric=False),
        Head("Added", numeric=False),
        Head("Source", numeric=False, wide=True),
    )
    first = _budget(evidence).drop_duplicates("component")
    keys = ("component", "common_to", "counted", "source")
    found = zip(*(first[key] for key in keys), strict=True)
    rows = [(str(n), _COMMON_TO[str(c)], "yes" if counted else "no", str(source)) for n, c, counted, source in found]
    return one_body(head, rows)


def _budget(evidence: Evidence) -> pd.DataFrame:
    rows = evidence.uncertainty
    return pd.DataFrame(columns=list(UNCERTAINTY.column_names)) if rows is None else rows
