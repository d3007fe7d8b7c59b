"""Tables of the phases of each pile: how often it was struck in each, and how loud that was at a station."""

from __future__ import annotations

import pandas as pd

from reconcile.report.evidence import Evidence
from reconcile.report.formatting import MISSING, between, count, decibels, instant, significant
from reconcile.report.tables.table import Body, Head, Record, Table, number, text, words
from reconcile.report.words import sentence_case
from reconcile.vocabulary.quantities import EXPOSURE_LEVEL, PEAK_LEVEL


def phase_stations(evidence: Evidence) -> tuple[str, ...]:
    """Stations that have phases, from near to far."""
    found = set() if evidence.phases is None else set(evidence.phases["station_id"])
    return tuple(name for name in evidence.station_ids if name in found)


def phase_note(evidence: Evidence) -> str:
    """Where the phases come from."""
    recognised = (
        "test blows, soft start, full drive and restrikes are recognised from the strike energies (where none are "
        "logged, from the levels at the nearest station) and from pauses"
    )
    if any(activity.phase for activity in evidence.campaign.activities):
        return f"As activities.csv states them; where it states no phase, {recognised}."
    return f"{sentence_case(recognised)}."


def phase_table(evidence: Evidence, station_id: str) -> Table:
    """The phases at one station: a body for each pile, rows in order of time."""
    activities = bool(evidence.campaign.activities)
    unit = EXPOSURE_LEVEL.unit
    head = (
        *text("Phase", *(["Activity"] if activities else []), "Work", "First (UTC)"),
        Head("n"),
        Head("of these censored"),
        Head("Median energy", "kJ"),
        Head("Median exposure level", unit),
        Head("Its 95 % interval", unit),
        Head("Exceeded by 5 %", unit),
        Head("Its 95 % interval", unit),
        Head("Highest peak", PEAK_LEVEL.unit),
        Head("Cumulative exposure", unit),
    )
    assert evidence.phases is not None
    rows = evidence.phases[evidence.phases["station_id"] == station_id]
    bodies = []
    for pile in evidence.piles:
        own = rows[rows["pile_id"] == pile.pile_id].sort_values("first_utc", kind="stable")
        cells = tuple(_row(record, activities) for record in own.to_dict("records"))
        if cells:
            bodies.append(Body(cells, pile.pile_id))
    return Table(head, tuple(bodies))


def _row(record: Record, activities: bool) -> tuple[str, ...]:
    phase = words(record, "phase")
    return (
        MISSING if phase is None else sentence_case(phase.replace("_", " ")),
        *([words(record, "activity_id") or "none"] if activities else []),
        _work(record),
        instant(pd.Timestamp(record["first_utc"]).to_pydatetime()),
        count(number(record, "n_strikes")),
        count(number(record, "n_censored")),
        significant(number(record, "median_energy_kj")),
        *_with_interval(record, "median"),
        *_with_interval(record, "exceeded_5"),
        decibels(number(record, "maximum_peak_level_db")),
        decibels(number(record, "cumulative_exposure_level_db")),
    )


def _with_interval(record: Record, statistic: str) -> tuple[str, str]:
    """A statistic, and its interval where there were strikes enough for one."""
    low, high = (number(record, f"{statistic}_{end}_db") for end in ("lower", "upper"))
    return decibels(number(record, f"{statistic}_db")), MISSING if low is None and high is None else between(low, high)


def _work(record: Record) -> str:
    """The method, and the abatement where there was some."""
    abatement = words(record, "abatement")
    method = str(record["installation_method"])
    return method if abatement in (None, "none") else f"{method}, {abatement}"
