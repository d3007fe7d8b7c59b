"""Criteria that a campaign names: published sets, sets of a file, limits of the permit, and what is refused of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from reconcile.campaign import read_campaign, summary_lines
from reconcile.vocabulary.criteria import criteria_of
from tests.campaign.conftest import Faults

Change = Callable[[str, str, str], None]
SETTINGS = "[settings]\n"
LIMIT = """
[[limits]]
id = "permit"
quantity = "exposure_level"
statistic = "exceeded_5"
level_db = 160
range_m = 750
source = "condition 4"
"""
OWN = """\
[[criteria]]
set = "mine"
subject = "harbour porpoise"
effect = "TTS"
kind = "threshold"
quantity = "cumulative_exposure_level"
weighting = "southall-2019:VHF"
level_db = 140
source = "invented"
[[criteria]]
set = "mine"
subject = "seals"
quantity = "peak_level"
level_db = 218.0
source = "invented"
"""


def test_none_unless_named(folder: Path) -> None:
    campaign, _ = read_campaign(folder)
    assert campaign.criteria == ()
    assert campaign.periods == ()


def test_published_sets_bring_their_weightings(folder: Path, change: Change) -> None:
    change("campaign.toml", SETTINGS, SETTINGS + 'criteria = ["southall-2019", "germany-windseev"]\n')
    campaign, _ = read_campaign(folder)
    assert campaign.criteria == (*criteria_of("southall-2019"), *criteria_of("germany-windseev"))
    assert "southall-2019:VHF" in campaign.settings.weightings
    assert campaign.settings.weightings[:2] == ("nmfs-2024:LF", "nmfs-2024:HF")
    assert "Thresholds and limits: southall-2019 (36), germany-windseev (2)" in summary_lines(campaign)


def test_a_file_of_criteria_and_limits(folder: Path, change: Change) -> None:
    (folder / "criteria.toml").write_text(OWN, encoding="utf-8")
    change("campaign.toml", SETTINGS, SETTINGS + 'criteria = ["mine"]\ncriteria_file = "criteria.toml"\n')
    change("campaign.toml", "window_max_s = 0.75\n", "window_max_s = 0.75\n" + LIMIT)
    campaign, _ = read_campaign(folder)
    porpoise, seal, permit = campaign.criteria
    assert (porpoise.kind, porpoise.level_db, porpoise.period) == ("threshold", 140.0, "24_h_from_first_strike")
    assert (seal.kind, seal.quantity, seal.standing) == ("limit", "peak_level", "stated by the user")
    assert (permit.criteria_set, permit.statistic, permit.range_m, permit.slope_db_per_decade) == (
        "permit", "exceeded_5", 750.0, 15.0,
    )  # fmt: skip
    assert campaign.notes == ()


def test_a_set_of_the_file_that_is_not_named_is_noted(folder: Path, change: Change) -> None:
    (folder / "criteria.toml").write_text(OWN, encoding="utf-8")
    change("campaign.toml", SETTINGS, SETTINGS + 'criteria_file = "criteria.toml"\n')
    campaign, _ = read_campaign(folder)
    assert campaign.criteria == ()
    assert any("'mine' is not named" in note for note in campaign.notes)


def test_whole_sets_of_weightings_and_periods(folder: Path, change: Change) -> None:
    stated = '\n[[periods]]\nid = "May"\nstart_utc = "2025-05-01T00:00:00Z"\nend_utc = "2025-06-01T00:00:00Z"\n'
    change("campaign.toml", "window_max_s = 0.75\n", 'weightings = ["nmfs-2018", "nmfs-2024:LF"]\n' + stated)
    campaign, _ = read_campaign(folder)
    assert campaign.settings.weightings == (
        "nmfs-2018:LF", "nmfs-2018:MF", "nmfs-2018:HF", "nmfs-2018:PW", "nmfs-2018:OW", "nmfs-2024:LF",
    )  # fmt: skip
    (period,) = campaign.periods
    assert (period.id, (period.end_utc - period.start_utc).days) == ("May", 31)


@pytest.mark.parametrize(
    ("settings", "where", "needed"),
    [
        ('criteria = ["nmfs-2042"]', "settings.criteria[0]", "one of nmfs-2018, southall-2019, nmfs-2024, popper-2014"),
        ('weightings = ["nmfs-2018:VHF"]', "settings.weightings[0]", "nmfs-2018:HF"),
        ('weightings = ["hearing"]', "settings.weightings[0]", "southall-2019 (LF, HF, VHF, SI, PCW, OCW)"),
        ('criteria_file = "criteria.toml"', "settings.criteria_file", "a TOML file in the campaign folder"),
        ('criteria_file = "../criteria.toml"', "settings.criteria_file", "path"),
        ('criteria_file = "recordings/criteria.toml"', "settings.criteria_file", "in the campaign folder itself"),
        ('local_time_zone = "Atlantis"', "settings.local_time_zone", "a time zone's name"),
    ],
)
def test_settings_refused(folder: Path, change: Change, faults: Faults, settings: str, where: str, needed: str) -> None:
    change("campaign.toml", SETTINGS, f"{SETTINGS}{settings}\n")
    (fault,) = faults()
    assert fault.where == where
    assert needed in fault.needed


@pytest.mark.parametrize(
    ("old", "new", "where", "needed"),
    [
        ("range_m = 750", "radius_m = 750", "limits[0].radius_m", "range_m"),
        ('"exposure_level"', '"peak_level"\nweighting = "nmfs-2024:LF"', "limits[0]", "peak levels are not weighted"),
        ('"exceeded_5"', '"exceeded_5"\nperiod = "pile"', "limits[0]", "only a cumulative exposure has one"),
        ("range_m = 750", "start_range_m = 200", "limits[0]", "together, or neither"),
        ('source = "condition 4"', "", "limits[0].source", "the key source"),
        ('"exposure_level"', '"exposure_level"\nweighting = "nmfs-2024"', "limits[0].weighting", "nmfs-2024:LF"),
    ],
)
def test_limits_refused(
    folder: Path, change: Change, faults: Faults, old: str, new: str, where: str, needed: str
) -> None:
    change("campaign.toml", "window_max_s = 0.75\n", LIMIT.replace(old, new))
    (fault,) = faults()
    assert fault.where == where
    assert needed in fault.needed


@pytest.mark.parametrize(
    ("old", "new", "where", "needed"),
    [
        ('set = "mine"', 'set = "nmfs-2024"', "criteria[0].set", "no published set has"),
        ("subject", "subjekt", "criteria[0].subjekt", "subject"),
        ("level_db = 140", 'level_db = "loud"', "criteria[0].level_db", "a number"),
        ("[[criteria]]", "[[criteria", "line 1", "TOML"),
    ],
)
def test_files_refused(
    folder: Path, change: Change, faults: Faults, old: str, new: str, where: str, needed: str
) -> None:
    (folder / "criteria.toml").write_text(OWN.replace(old, new, 1), encoding="utf-8")
    change("campaign.toml", SETTINGS, SETTINGS + 'criteria = ["mine"]\ncriteria_file = "criteria.toml"\n')
    found = [fault for fault in faults() if fault.file == "criteria.toml"]
    assert where in {fault.where for fault in found}
    assert any(needed in fault.needed for fault in found)


def test_periods_end_after_they_start(change: Change, faults: Faults) -> None:
    stated = '\n[[periods]]\nid = "May"\nstart_utc = "2025-06-01T00:00:00Z"\nend_utc = "2025-05-01T00:00:00Z"\n'
    change("campaign.toml", "window_max_s = 0.75\n", stated)
    (fault,) = faults()
    assert fault.where == "periods[0].end_utc"
