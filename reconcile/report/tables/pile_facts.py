"""What is known of one pile beside its levels: the driving, the chains, the surroundings."""

from __future__ import annotations

import pandas as pd

from reconcile.campaign.station_periods import period_at
from reconcile.campaign.times import epoch_us
from reconcile.report.evidence import Evidence
from reconcile.report.formatting import (
    MISSING,
    count,
    decibels,
    exact_time,
    instant,
    percent,
    signed,
    significant,
)
from reconcile.report.tables.table import Head, Record, Table, number, one_body, text, words
from reconcile.report.tables.verification import own_rows
from reconcile.report.words import abatement_words, group_words, sentence_case, short_quantity_words
from reconcile.vocabulary.documents.campaign import LoggedDriving, Pile

Facts = tuple[tuple[str, str], ...]


def foundation_facts(evidence: Evidence, pile: Pile) -> Facts:
    """What was installed, where, when and how."""
    campaign = evidence.campaign
    position = f"{pile.latitude_deg:.5f}° N, {pile.longitude_deg:.5f}° E" if _placed(pile) else ""
    depth = pile.water_depth_m or campaign.water_depth_m
    facts = (
        ("Foundation", sentence_case(group_words(pile.installation_method, pile.foundation_type, pile.abatement))),
        ("Position (WGS 84)", position),
        ("Diameter", "" if pile.diameter_m is None else f"{significant(pile.diameter_m)} m"),
        ("Water depth", "" if depth is None else f"{significant(depth)} m"),
        ("Hammer, rated energy", "" if pile.rated_energy_kj is None else f"{significant(pile.rated_energy_kj, 4)} kJ"),
        ("Stated times (UTC)", f"{instant(pile.start_utc)} to {instant(pile.end_utc)}"),
        ("Prediction", pile.prediction_id or "none"),
        ("Speed of sound", f"{significant(campaign.sound_speed_m_s, 4)} m/s"),
    )
    return tuple((name, value) for name, value in facts if value)


def _placed(pile: Pile) -> bool:
    return pile.latitude_deg is not None and pile.longitude_deg is not None


def driving_facts(evidence: Evidence, pile: Pile) -> Facts:
    """Blows, energies, penetration and duration, as logged and as heard."""
    log = next((entry for entry in evidence.campaign.logged_driving if entry.pile_id == pile.pile_id), None)
    heard = own_rows(evidence.blow_counts, pile)
    heard = heard[heard["station_id"].isna()] if len(heard) else heard
    facts = [] if log is None else list(_logged(log))
    for record in heard.to_dict("records"):
        facts.append(("Strikes heard", count(number(record, "n_heard"))))
        facts.append(("Logged blows not matched to a strike", count(number(record, "n_missed"))))
        facts.append(("Strikes not in the log", count(number(record, "n_extra"))))
    return tuple((name, value) for name, value in facts if value and value != MISSING)


def _logged(log: LoggedDriving) -> Facts:
    duration = ""
    if log.first_utc is not None and log.last_utc is not None:
        duration = exact_time((log.last_utc - log.first_utc).total_seconds())
    depths = (log.from_penetration_m, log.to_penetration_m)
    energies = [significant(value, 4) for value in (log.median_energy_kj, log.maximum_energy_kj) if value is not None]
    total = None if log.total_energy_kj is None else log.total_energy_kj / 1000.0
    return (
        ("Blows logged", count(log.n_blows)),
        ("First to last blow", duration),
        ("Strike energy, median and largest", f"{' and '.join(energies)} kJ" if energies else ""),
        ("Energy over all blows", "" if total is None else f"{significant(total, 4)} MJ"),
        ("Penetration", "" if None in depths else f"{depths[0]:.2f} m to {depths[1]:.2f} m"),
    )


def phase_table(evidence: Evidence, pile: Pile) -> Table:
    """Phases as the nearest station that heard them has them: times, strikes, energies, abatement."""
    head = (
        *text("Phase", "Abatement", "First (UTC)"),
        Head("Duration"),
        Head("Strikes"),
        Head("Median energy", "kJ"),
        Head("Largest peak", "dB re 1 µPa"),
        *text("Station"),
    )
    rows = own_rows(evidence.phases, pile)
    stations = [s for s in evidence.station_ids if len(rows) and s in set(rows["station_id"])]
    if not stations:
        return Table(head, ())
    own = rows[rows["station_id"] == stations[0]].sort_values("first_utc", kind="stable")
    return one_body(head, [_phase_row(record) for record in own.to_dict("records")])


def _phase_row(record: Record) -> tuple[str, ...]:
    first, last = (pd.Timestamp(record[name]).to_pydatetime() for name in ("first_utc", "last_utc"))
    return (
        sentence_case((words(record, "phase") or "not known").replace("_", " ")),
        abatement_words(str(record["abatement"])),
        instant(first),
        exact_time((last - first).total_seconds()),
        count(number(record, "n_strikes")),
        significant(number(record, "median_energy_kj"), 4),
        decibels(number(record, "maximum_peak_level_db")),
        str(record["station_id"]),
    )


def chain_table(evidence: Evidence, pile: Pile) -> Table:
    """Each station's chain at the time of the pile, its uncertainty and field checks, and the background beside it."""
    head = (
        *text("Station", "Chain"),
        Head("Standard uncertainty", "dB"),
        *text("Field checks, found minus stated"),
        Head("Water depth", "m"),
        Head("Background without work", "dB re 1 µPa"),
    )
    return one_body(head, [_chain_row(evidence, pile, station_id) for station_id in evidence.station_ids])


def _chain_row(evidence: Evidence, pile: Pile, station_id: str) -> tuple[str, ...]:
    period = period_at(evidence.campaign, station_id, (epoch_us(pile.start_utc) + epoch_us(pile.end_utc)) // 2)
    checks = [e for e in evidence.manifest.field_checks if e.system_id == period.system.id]
    found = [signed(e.difference_db, 2) for e in checks if e.difference_db is not None]
    water = period.water_depth_m
    return (
        station_id,
        period.system.id,
        decibels(period.system.uncertainty_db, 2),
        f"{', '.join(found)} dB" if found else "none",
        MISSING if water is None else f"{water:g}",
        decibels(_background_db(evidence, pile, station_id)),
    )


def _background_db(evidence: Evidence, pile: Pile, station_id: str) -> float | None:
    """The median minute without work in the hour nearest to the pile, as the table of continuous levels has it."""
    table = evidence.continuous
    if table is None:
        return None
    own = table[
        (table["station_id"] == station_id)
        & (table["over"] == "utc_hour")
        & table["pile_id"].isna()
        & (table["weighting"] == "none")
        & table["band_hz"].isna()
    ]
    if own.empty:
        return None
    away = (own["start_utc"] - pd.Timestamp(pile.start_utc)).abs()
    return number(own.iloc[int(away.to_numpy().argmin())].to_dict(), "exceeded_50_db")


def field_check_note(evidence: Evidence) -> str:
    """By which sensitivity levels are."""
    if evidence.campaign.settings.calibration_source == "field_checks":
        return "Levels are by the field checks."
    if not evidence.manifest.field_checks:
        return "Levels are by the certificates; there were no field checks."
    return "Levels are by the certificates; what field checks showed is in the uncertainty."


def gaps(evidence: Evidence, pile: Pile) -> list[str]:
    """What the record of this pile lacks, in sentences."""
    record = own_rows(evidence.record, pile)
    found = []
    shares = record.loc[
        record["recorded_fraction"] < 1.0, ["station_id", "installation_method", "recorded_fraction"]
    ].drop_duplicates()
    for row in shares.sort_values("station_id").to_dict("records"):
        method, share = str(row["installation_method"]), percent(float(row["recorded_fraction"]))
        of = "logged blows were" if method == "impact" else f"time of its {method} work was"
        found.append(f"{row['station_id']}: {share} of the {of} recorded.")
    silent = [s for s in evidence.station_ids if s not in set(record["station_id"])]
    if silent:
        found.append(f"No levels of this pile at {', '.join(silent)}.")
    full = record[record["band_hz"].isna() & (record["statistic"] == "median") & (record["weighting"] == "none")]
    hidden = full[full["n_censored"] > 0] if len(full) else full
    for row in hidden.to_dict("records"):
        found.append(
            f"{row['station_id']}, {short_quantity_words(str(row['quantity']))}: {count(row['n_censored'])} of "
            f"{count(row['n'])} are known by a limit alone (below the background, or clipped); what they could move is "
            "left empty."
        )
    return found
