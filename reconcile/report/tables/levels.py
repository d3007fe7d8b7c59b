"""Tables of what was measured: statistics for each pile and station, cumulative exposure."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from reconcile.report.evidence import Evidence, rows_of
from reconcile.report.formatting import between, count, decibels, instant, metres, percent
from reconcile.report.subjects import Subject
from reconcile.report.tables.table import Body, Head, Record, Table, number, words
from reconcile.report.words import pile_words, weighting_words
from reconcile.vocabulary.documents.campaign import Pile

_EXPOSURE_UNIT = "dB re 1 µPa² s"
PERIODS = {
    "pile": "each pile",
    "utc_day": "each day (UTC)",
    "local_day": "each day (local clock)",
    "24_h_from_first_strike": "24 h from the first strike",
    "stated": "the stated periods",
}


def level_table(evidence: Evidence, subject: Subject) -> Table:
    """Statistics of one subject: a body for each pile, a row for each station from near to far."""
    unit = subject.unit
    head = (
        Head("Station", numeric=False),
        Head("Distance", "m"),
        Head("n"),
        Head("of these censored"),
        Head("Median", unit),
        Head("Mean", unit),
        Head("Exceeded by 5 % of strikes", unit),
        Head("Its 95 % interval", unit),
        Head("Lowest", unit),
        Head("Highest", unit),
        Head("Standard uncertainty of the mean", "dB"),
    )
    rows = subject.of(evidence.summary)
    return Table(head, tuple(_pile_bodies(evidence, rows)))


def _pile_bodies(evidence: Evidence, rows: pd.DataFrame) -> Iterator[Body]:
    places = {name: i for i, name in enumerate(evidence.station_ids)}
    for pile in evidence.pile_states:
        own = rows_of(rows, pile)
        if own.empty:
            continue
        own = own.sort_values("station_id", key=lambda names: names.map(places))
        cells = tuple(_level_row(record) for record in own.to_dict("records"))
        yield Body(cells, pile.pile_id, _pile_note(pile))


def _pile_note(pile: Pile) -> str:
    if pile.installation_method == "impact":
        return pile_words(pile)
    return f"{pile_words(pile)}; n counts seconds, each level is that of one second"


def _level_row(record: Record) -> tuple[str, ...]:
    return (
        str(record["station_id"]),
        metres(number(record, "range_m")),
        count(number(record, "n_strikes")),
        count(number(record, "n_censored")),
        *(decibels(number(record, name)) for name in ("median_db", "mean_db", "exceeded_5_db")),
        _interval(number(record, "exceeded_5_lower_db"), number(record, "exceeded_5_upper_db")),
        *(decibels(number(record, name)) for name in ("minimum_db", "maximum_db", "standard_uncertainty_db")),
    )


def _interval(low: float | None, high: float | None) -> str:
    return decibels(None) if low is None and high is None else between(low, high)


def exposure_weightings(evidence: Evidence) -> tuple[str, ...]:
    """Weightings of the cumulative exposure: none first, then those of the settings."""
    found = set(evidence.exposure["weighting"])
    order = ("none", *evidence.campaign.settings.weightings)
    return (*(w for w in order if w in found), *sorted(found.difference(order)))


def exposure_title(weighting: str) -> str:
    """Name of a weighting for a choice."""
    return "Unweighted" if weighting == "none" else weighting_words(weighting)


def exposure_table(evidence: Evidence, weighting: str) -> Table:
    """Cumulative exposure of one weighting: a body for each kind of period."""
    head: tuple[Head, ...] = (
        Head("Station", numeric=False),
        Head("Pile, period or start", numeric=False),
        Head("Method", numeric=False),
        Head("Piles"),
        Head("Strikes (seconds)"),
        Head("Blows logged"),
        Head("Recorded share"),
        Head("Measured", _EXPOSURE_UNIT),
        Head("With limits of the rest", _EXPOSURE_UNIT),
        Head("Completed for gaps", _EXPOSURE_UNIT),
        Head("Censoring", numeric=False),
    )
    quiet = evidence.campaign.settings.effective_quiet_db
    if quiet is not None and weighting == "none":
        head += (Head(f"Strikes of {quiet:g} dB and more", _EXPOSURE_UNIT),)
    rows = evidence.exposure[evidence.exposure["weighting"] == weighting]
    piles = {pile.pile_id: i for i, pile in enumerate(evidence.piles)}
    stations = {name: i for i, name in enumerate(evidence.station_ids)}
    bodies = []
    for period, title in PERIODS.items():
        own = rows[rows["period"] == period]
        keyed = own.assign(
            pile_place=own["pile_id"].map(piles).fillna(-1), station_place=own["station_id"].map(stations).fillna(-1)
        )
        order = ["pile_place", "station_place"] if period == "pile" else ["station_place", "start_utc"]
        records = keyed.sort_values([*order, "installation_method"]).to_dict("records")
        bodies.append(Body(tuple(_exposure_row(r)[: len(head)] for r in records), f"Over {title}"))
    return Table(head, tuple(body for body in bodies if body.rows))


def _exposure_row(record: Record) -> tuple[str, ...]:
    start = pd.Timestamp(record["start_utc"])
    named = words(record, "pile_id") or words(record, "period_name")
    return (
        str(record["station_id"]),
        instant(start.to_pydatetime()) if named is None else named,
        str(record["installation_method"]),
        count(number(record, "n_piles")),
        count(number(record, "n_strikes")),
        count(number(record, "n_logged")),
        percent(number(record, "recorded_fraction")),
        decibels(number(record, "measured_db")),
        decibels(number(record, "upper_db")),
        decibels(number(record, "completed_db")),
        str(record["censoring"]).replace("_", " "),
        decibels(number(record, "above_quiet_db")),
    )
