"""Strikes listed, and decisions written, from the command line: what the review page does, without a screen."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from reconcile.campaign import read_campaign
from reconcile.campaign.decisions import FILE
from reconcile.review.decision_file import NewDecision, append_decision, check_decision, decisions_of
from reconcile.review.meeting import check_station, met
from reconcile.review.strike_list import Filters, filtered, listed
from reconcile.running.levels_stage import CAMPAIGN
from reconcile.running.outcome import Outcome
from reconcile.running.store import read_document, read_table
from reconcile.vocabulary.documents.campaign import Campaign


def listed_strikes(results: Path) -> pd.DataFrame:
    """All that was found (`strike_list.listed`). Raises ResultsError where the folder holds no levels."""
    campaign = read_document(results / CAMPAIGN, Campaign, "levels")
    strikes, rejected = (read_table(results, name, "levels") for name in ("strikes", "rejected"))
    return listed(strikes, rejected, campaign.settings.censor_below_snr_db)


def list_strikes(results: Path, filters: Filters) -> pd.DataFrame:
    """The strikes of a results folder that are asked for."""
    return filtered(listed_strikes(results), filters)


def decide(folder: Path, results: Path, decision: NewDecision, seen: str | None = None) -> Outcome:
    """Append a decision to the campaign's decisions.csv, once it is right and meets what it is about.

    Raises InputError with what is wrong with it, ConflictError where the file is not as it was `seen`, MachineError.
    """
    check_decision(decision)
    known = (results / CAMPAIGN).exists()
    campaign = read_document(results / CAMPAIGN, Campaign, "levels") if known else read_campaign(folder)[0]
    check_station(decision, (station.id for station in campaign.stations))
    about = met(decision, listed_strikes(results) if known else None, decisions_of(folder))
    written = append_decision(folder, decision, seen)
    lines = [f"line {written.line} of {folder / FILE}: {decision.action}, {about}", "`reconcile run` applies it"]
    if written.recovered:
        lines.append("Note: a line that was cut short while it was written was taken off; it is in decisions.torn.txt")
    return Outcome(lines)
