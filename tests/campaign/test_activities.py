"""Activities of a pile: values, what is refused, and what held when."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reconcile.campaign import read_campaign
from reconcile.campaign.activity_periods import (
    activity_periods,
    impact_periods,
    period_numbers_at,
    states,
    with_states,
)
from reconcile.campaign.times import epoch_us
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.errors import Fault

Faults = Callable[[], tuple[Fault, ...]]
HEADER = "activity_id,pile_id,installation_method,phase,abatement,start_utc,end_utc\n"
ROWS = (
    "C2,P1,impact,,double bubble curtain,2025-05-01T08:30:00Z,2025-05-01T10:30:00Z\n"
    "C1,P1,impact,soft_start,,2025-05-01T08:00:00Z,2025-05-01T08:30:00Z\n"
    "V,P2,,,None,2025-05-02T08:00:00Z,2025-05-02T08:40:00Z\n"
    "I,P2,impact,,none,2025-05-02T09:00:00Z,2025-05-02T10:30:00Z\n"
    "R,P2,impact,restrike,none,2025-05-03T00:10:00Z,2025-05-03T00:20:00Z\n"
)


def us(text: str) -> int:
    return epoch_us(datetime.fromisoformat(text).replace(tzinfo=UTC))


def write(folder: Path, rows: str = ROWS) -> Campaign:
    (folder / "activities.csv").write_text(HEADER + rows)
    return read_campaign(folder)[0]


def test_values_by_pile_and_in_time_and_what_is_empty_is_the_piles(folder: Path) -> None:
    campaign = write(folder)
    assert [a.activity_id for a in campaign.activities] == ["C1", "C2", "V", "I", "R"]
    first, second, vibrated, *_ = campaign.activities
    assert (first.abatement, first.phase, first.line) == ("none", "soft_start", 3)
    assert (second.abatement, second.phase) == ("double bubble curtain", None)
    assert (vibrated.installation_method, vibrated.abatement) == ("vibratory", "none")  # one spelling
    assert vibrated.start_utc == datetime(2025, 5, 2, 8, tzinfo=UTC)


def test_times_of_the_pile_are_extended_and_gaps_are_said(folder: Path) -> None:
    campaign = write(folder)
    assert campaign.pile("P2").end_utc == datetime(2025, 5, 3, 0, 20, tzinfo=UTC)
    assert campaign.pile("P1").end_utc == datetime(2025, 5, 1, 10, 30, tzinfo=UTC)
    assert campaign.notes == (
        "activities.csv: the activities of P2 reach beyond its times in piles.csv, which were extended",
        "activities.csv: 20 min of the time of P2 are in no activity: strikes heard then are left out of fits and "
        "comparisons",
    )


@pytest.mark.parametrize(
    ("old", "new", "where", "part"),
    [
        ("C1,", "C2,", "line 3, column activity_id", "'C2' again (first on line 2)"),
        ("C1,P1", "C1,P7", "line 3, column pile_id", "a pile_id of piles.csv"),
        ("C1,P1,impact", "C1,P1,impct", "line 3, column installation_method", "did you mean 'impact'"),
        ("soft_start", "soft", "line 3, column phase", "soft_start, full_drive, restrike, test_blow, other"),
        ("T08:00:00Z,2025-05-01T08:30:00Z", "T08:00:00Z,2025-05-01T08:00:00Z", "line 3, column end_utc", "after start"),
        ("T08:00:00Z,2025-05-01T08:30:00Z", "T08:00:00Z,2025-05-01T08:31:00Z", "line 2, column start_utc", "overlaps"),
        ("2025-05-01T08:00:00Z", "", "line 3, column start_utc", "an empty cell"),
        ("2025-05-01T08:00:00Z", "2025-05-01T08:00:00", "line 3, column start_utc", "the zone is missing"),
        ("phase", "phases", "header", "no column phase"),
    ],
)
def test_refusals(folder: Path, faults: Faults, old: str, new: str, where: str, part: str) -> None:
    text = HEADER + ROWS
    assert old in text
    (folder / "activities.csv").write_text(text.replace(old, new, 1))
    found = [fault for fault in faults() if fault.file == "activities.csv"]
    assert len(found) == 1
    assert found[0].where == where
    assert part in str(found[0])


def test_all_faults_at_once(folder: Path, faults: Faults) -> None:
    (folder / "activities.csv").write_text(HEADER + "A,P7,hammer,x,,2025-05-01T08:00:00Z,2025-05-01T07:00:00Z\n")
    assert {fault.where for fault in faults()} == {
        f"line 2, column {name}" for name in ("pile_id", "installation_method", "phase", "end_utc")
    }


def test_states_never_mix_methods_or_abatements(folder: Path) -> None:
    campaign = write(folder)
    held = {p.pile_id: [(s.installation_method, s.abatement) for s in states(campaign, p)] for p in campaign.piles}
    assert held == {
        "P1": [("impact", "none"), ("impact", "double bubble curtain")],
        "P2": [("vibratory", "none"), ("impact", "none")],
    }
    rows = pd.DataFrame({"pile_id": ["P1", "P1", "P2", None], "activity_id": ["C2", None, "R", None]})
    columns = with_states(rows, campaign)
    assert columns["installation_method"].fillna("-").tolist() == ["impact", "impact", "impact", "-"]
    assert columns["abatement"].fillna("-").tolist() == ["double bubble curtain", "none", "none", "-"]
    assert with_states(rows[["pile_id"]], campaign)["abatement"].tolist()[:2] == ["none", "none"]


def test_a_pile_without_activities_is_one_by_its_own_row(folder: Path) -> None:
    campaign = write(folder, ROWS.splitlines(keepends=True)[0])
    assert states(campaign, campaign.pile("P2")) == (campaign.pile("P2"),)
    (own,) = [p for p in activity_periods(campaign) if p.pile_id == "P2"]
    assert (own.activity_id, own.installation_method, own.phase) == (None, "vibratory", None)
    assert impact_periods(campaign, "P2") == ()


def test_when_a_pile_was_struck(folder: Path) -> None:
    """An impact activity of a vibratory pile counts; of an impact pile also what of its time nobody claims."""
    campaign = write(folder, ROWS.replace("08:30:00Z,2025-05-01T10:30", "08:35:00Z,2025-05-01T10:30"))
    assert [p.activity_id for p in impact_periods(campaign, "P2")] == ["I", "R"]
    struck = impact_periods(campaign, "P1")
    assert [(p.activity_id, p.rest) for p in struck] == [("C1", False), ("C2", False), (None, True)]
    assert (struck[2].start_us, struck[2].end_us) == (us("2025-05-01T08:30"), us("2025-05-01T08:35"))
    times = np.array([us("2025-05-01T08:30"), us("2025-05-01T08:29:59"), us("2025-05-02T08:45")])
    numbers = period_numbers_at(activity_periods(campaign), times)
    assert numbers.tolist() == [-1, 0, -1]
