"""Sound field verification: one page for each pile, to be printed on a sheet or two of A4."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from typing import Any

from reconcile.campaign.activity_periods import states
from reconcile.report.evidence import Evidence
from reconcile.report.pooled_page import environment
from reconcile.report.tables import insertion_loss, pile_facts, verification
from reconcile.report.tables.table import Table
from reconcile.report.words import abatement_words, group_words, sentence_case
from reconcile.vocabulary.documents.campaign import Pile

_LONGEST_NAME = 60
_RESERVED = re.compile("con|prn|aux|nul|com[0-9]|lpt[0-9]", re.IGNORECASE)  # on some systems no file may be called so
_NOT_SAFE = re.compile(r"[^A-Za-z0-9._-]+")


def page_names(pile_ids: Iterable[str]) -> dict[str, str]:
    """A file name for each pile that every system takes; one that had to be changed ends in a part of its digest.

    The digest keeps apart what would become one name, upper and lower case included.
    """
    names: dict[str, str] = {}
    for pile_id in pile_ids:
        name = _NOT_SAFE.sub("_", pile_id).strip("._-")[:_LONGEST_NAME]
        taken = name.casefold() in {other.removesuffix(".html").casefold() for other in names.values()}
        if not name or name != pile_id or taken or _RESERVED.fullmatch(name):
            name = f"{name or 'pile'}-{hashlib.sha256(pile_id.encode('utf-8', 'surrogatepass')).hexdigest()[:8]}"
        names[pile_id] = f"{name}.html"
    return names


def verification_pages(evidence: Evidence) -> dict[str, str]:
    """The page of each pile by its file name. None before the record was made. Same evidence, same bytes."""
    if evidence.record is None:
        return {}
    template = environment().get_template("verification.html.j2")
    names = page_names(pile.pile_id for pile in evidence.piles)
    return {names[pile.pile_id]: template.render(_contents(evidence, pile)) for pile in evidence.piles}


def _contents(evidence: Evidence, pile: Pile) -> dict[str, Any]:
    """Everything that the template names."""
    predicted = verification.predicted_table(evidence, pile)
    distances = verification.distance_table(evidence, pile)
    return {
        "campaign": evidence.campaign,
        "pile": pile,
        "what": sentence_case(group_words(pile.installation_method, pile.foundation_type, pile.abatement)),
        "abatements": [
            f"{abatement_words(state.abatement)} ({state.installation_method})"
            for state in states(evidence.campaign, pile)
        ],
        "verdict": verdict(evidence, pile),
        "foundation": pile_facts.foundation_facts(evidence, pile),
        "driving": pile_facts.driving_facts(evidence, pile),
        "phases": pile_facts.phase_table(evidence, pile),
        "levels": verification.level_table(evidence, pile),
        "cumulative": verification.cumulative_table(evidence, pile),
        "predicted": predicted,
        "distances": distances,
        "limits": verification.limit_rows(evidence, pile),
        "losses": _losses(evidence, pile),
        "chains": pile_facts.chain_table(evidence, pile),
        "checked_at": pile_facts.field_check_note(evidence),
        "common_uncertainty_db": evidence.campaign.common_uncertainty_db,
        "gaps": pile_facts.gaps(evidence, pile),
        "origin": _origin(evidence),
    }


def _losses(evidence: Evidence, pile: Pile) -> Table:
    abatements = {state.abatement for state in states(evidence.campaign, pile)}
    return insertion_loss.side_by_side_table(evidence, abatements)


def verdict(evidence: Evidence, pile: Pile) -> dict[str, Any]:
    """What is said first: what was measured beyond the prediction, else that nothing was, else that nothing tells."""
    tables = [verification.own_rows(table, pile) for table in (evidence.record, evidence.pile_distances)]
    compared = [table[table["outcome"].notna()] if "outcome" in table else table for table in tables]
    beyond = [table[table["outcome"] == "beyond"] if len(table) else table for table in compared]
    limits = verification.limit_sentence(evidence, pile)
    if not any(len(table) for table in compared):
        return {"kind": "none", "title": "Nothing to hold it against", "sentences": [_why_not(pile), *limits]}
    found = any(len(table) for table in beyond)
    sentences = [
        verification.beyond_sentence(*compared),
        *verification.furthest_sentences(*beyond),
        *verification.within_sentence(*compared),
        *verification.not_independent(compared[0]),
        *limits,
    ]
    title = "Measured beyond predicted" if found else "Nothing measured beyond predicted"
    return {"kind": "beyond" if found else "not_beyond", "title": title, "sentences": sentences}


def _why_not(pile: Pile) -> str:
    if pile.prediction_id is None:
        return "No prediction is named for this pile."
    return (
        "Predictions are named for this pile, but no level or distance of theirs could be held against a measured one."
    )


def _origin(evidence: Evidence) -> str:
    version = evidence.manifest.versions.get("reconcile", "")
    return f"Made with reconcile {version}. Every number of this page is in record.csv and the tables beside it."
