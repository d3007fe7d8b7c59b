"""The whole folder: what is accepted, all faults at once, and that nothing but InputError comes of bad input."""

from __future__ import annotations

import contextlib
import random
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reconcile.campaign import read_campaign, summary_lines
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.errors import InputError, MachineError

from .conftest import FILES, Faults, write_campaign

Change = Callable[[str, str, str], None]
TABLES = [name for name in FILES if not name.startswith("recordings")]


def test_a_right_campaign(folder: Path) -> None:
    campaign, log = read_campaign(folder)
    assert campaign.name == "Invented bank"
    assert [(s.id, s.gain_db, s.end_to_end_sensitivity_db) for s in campaign.systems] == [
        ("H1", 20.0, None),
        ("H2", None, -164.0),
    ]
    assert campaign.system("H1").valid_from_hz == 10.0
    assert campaign.station("S1500").channel == 2
    assert campaign.station("S1500").time_pattern is None
    assert campaign.station("S750").mooring_id == "S750"
    assert campaign.pile("P1").start_utc == datetime(2025, 5, 1, 8, tzinfo=UTC)
    assert campaign.pile("P2").diameter_m is None
    assert campaign.pile("P2").prediction_id is None
    assert campaign.n_logged == {"P1": 3, "P2": 0}
    assert campaign.n_recordings == {"S750": 2, "S1500": 1}
    assert campaign.sound_speed_m_s == 1490.0
    assert campaign.notes == ()
    assert log is not None
    assert len(log) == 3


def test_the_document_survives_its_json(folder: Path) -> None:
    campaign, _ = read_campaign(folder)
    assert Campaign.model_validate_json(campaign.model_dump_json()) == campaign


def test_without_the_optional_tables(folder: Path, change: Change) -> None:
    for name in ("blows.csv", "predictions.csv", "predicted_ranges.csv"):
        (folder / name).unlink()
    campaign, log = read_campaign(folder)
    assert log is None
    assert campaign.n_logged is None
    assert campaign.predictions == ()
    assert campaign.notes == ("piles.csv: prediction_id is given, but there is no predictions.csv",)


def test_faults_of_all_files_are_said_at_once(folder: Path, change: Change, faults: Faults) -> None:
    change("campaign.toml", "gain_db", "gain_bd")
    change("campaign.toml", "channel = 2", "channel = 0")
    change("campaign.toml", "recordings/S750/*.wav", "recordings/S751/*.wav")
    change("piles.csv", "monopile", "monpile")
    change("piles.csv", "8.0", "eight")
    change("blows.csv", "P1,3", "P4,3")
    change("ranges.csv", "2500", "-2500")
    change("predictions.csv", "median", "middle")
    change("predicted_ranges.csv", "160", "")
    (folder / "tracks.csv").write_text("")
    assert {(fault.file, fault.where) for fault in faults()} == {
        ("campaign.toml", "systems[0].gain_bd"),
        ("campaign.toml", "systems[0]"),
        ("campaign.toml", "stations[1].channel"),
        ("campaign.toml", "stations[0].recordings"),
        ("piles.csv", "line 2, column foundation_type"),
        ("piles.csv", "line 2, column diameter_m"),
        ("blows.csv", "line 4, column pile_id"),
        ("ranges.csv", "line 3, column range_m"),
        ("predictions.csv", "line 2, column statistic"),
        ("predicted_ranges.csv", "line 2, column threshold_db"),
        ("tracks.csv", ""),
    }


def test_a_fault_in_a_station_or_pile_does_not_hide_that_its_distance_is_missing(
    folder: Path, change: Change, faults: Faults
) -> None:
    change("campaign.toml", "channel = 2", "channel = 2\ncolour = 1")
    change("piles.csv", "jacket", "jakcet")
    change("ranges.csv", "P2,S1500,2500,\n", "")
    assert [f.found for f in faults() if f.file == "ranges.csv"] == [
        "no distance between pile and station: P2 and S1500"
    ]


def test_a_faulty_name_brings_no_faults_of_those_that_name_it(folder: Path, change: Change, faults: Faults) -> None:
    change("piles.csv", "P1,monopile", "P1,monpile")
    change("campaign.toml", "standard_uncertainty_db = 0.7", 'standard_uncertainty_db = "0.7"')
    assert {(f.file, f.where) for f in faults()} == {
        ("piles.csv", "line 2, column foundation_type"),
        ("campaign.toml", "systems[0].standard_uncertainty_db"),
    }


def test_byte_order_mark_and_windows_line_ends(folder: Path) -> None:
    expected = read_campaign(folder)[0]
    for name in TABLES:
        text = (folder / name).read_text()
        (folder / name).write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert read_campaign(folder)[0] == expected


def test_line_numbers_count_blank_lines_and_breaks_in_quotes(folder: Path, change: Change, faults: Faults) -> None:
    change("piles.csv", "none,2025", '"screen,\nand curtain",2025')
    change("piles.csv", "P2,", "\n,,,,,,,,,,,\nP2,")
    change("piles.csv", "jacket", "jakcet")
    assert [fault.where for fault in faults()] == ["line 6, column foundation_type"]


def test_many_faults_of_a_column_share_one_fault_that_names_their_lines(folder: Path, faults: Faults) -> None:
    rows = "".join(f"P1,{n},2025-05-01T08:00:00Z,-1,\n" for n in range(100))
    (folder / "blows.csv").write_text("pile_id,blow_number,time_utc,energy_kj,penetration_m\n" + rows)
    assert len(faults()) == 11
    assert "lines 12-101, column energy_kj" in {fault.where for fault in faults()}


def test_notes(folder: Path, change: Change) -> None:
    change("piles.csv", "prediction_id", "prediction_id,remark")
    change("piles.csv", ",ES1", ",ES1,windy")
    change("piles.csv", "10:30:00Z,\n", "10:30:00Z,,\n")
    change("piles.csv", "double bubble curtain", "")
    change("predictions.csv", "ES1,", "ES7,")
    change("predicted_ranges.csv", "range_statistic", "range_statstic")
    (folder / "prediction.csv").write_text("")
    campaign, _ = read_campaign(folder)
    notes = "\n".join(campaign.notes)
    assert "piles.csv: the column 'remark' is not used" in notes
    assert "did you mean 'range_statistic'?" in notes
    assert "the file 'prediction.csv' is not used; did you mean 'predictions.csv'?" in notes
    assert "no pile has the prediction_id 'ES7'" in notes
    assert campaign.pile("P2").abatement == "not known"
    assert "empty abatement" in notes


def test_field_checks_are_read(folder: Path, change: Change) -> None:
    check = (
        '[[systems.checks]]\nfile = "recordings/c.wav"\nlevel_db = 160\nfrequency_hz = 250\n'
        "time_utc = 2025-05-01T06:00:00Z\nstandard_uncertainty_db = 0.3\n"
        'drift = "step"\nstep_utc = "2025-05-01T07:00:00Z"\n'
    )
    change("campaign.toml", '[[stations]]\nid = "S750"', f'{check}[[stations]]\nid = "S750"')
    with pytest.raises(InputError, match=r"systems\[1\]\.checks\[0\]\.file: found 'recordings/c.wav'"):
        read_campaign(folder)
    (folder / "recordings/c.wav").write_text("not opened")
    campaign, _ = read_campaign(folder)
    (read,) = campaign.system("H2").checks
    assert read.time_utc == datetime(2025, 5, 1, 6, tzinfo=UTC)
    assert read.step_utc == datetime(2025, 5, 1, 7, tzinfo=UTC)
    assert campaign.notes == ()


def test_weightings_of_predictions_join_those_of_the_settings(folder: Path, change: Change) -> None:
    change("campaign.toml", "window_max_s = 0.75", 'weightings = ["nmfs-2024:OW", "nmfs-2024:OW"]')
    change("predicted_ranges.csv", "none", "nmfs-2024:PW")
    assert read_campaign(folder)[0].settings.weightings == ("nmfs-2024:OW", "nmfs-2024:LF", "nmfs-2024:PW")


def test_recordings_that_lie_elsewhere(folder: Path, tmp_path: Path) -> None:
    (folder / "recordings").rename(tmp_path / "recordings")
    with pytest.raises(InputError, match="no recording that matches"):
        read_campaign(folder)
    assert read_campaign(folder, recordings=tmp_path)[0].n_recordings == {"S750": 2, "S1500": 1}
    with pytest.raises(InputError, match="no such folder"):
        read_campaign(folder, recordings=tmp_path / "nowhere")


def test_summary(folder: Path, change: Change) -> None:
    change("campaign.toml", "Invented bank", "Invented\\n\\u001b[31m bank")
    (folder / "activities.csv").write_text(
        "activity_id,pile_id,installation_method,phase,abatement,start_utc,end_utc\n"
        "A1,P2,vibratory,,,2025-05-02T08:00:00Z,2025-05-02T09:00:00Z\n"
        "A2,P2,impact,full_drive,none,2025-05-02T09:00:00Z,2025-05-02T10:30:00Z\n"
    )
    (folder / "driving_log.csv").write_text(
        "pile_id,start_utc,end_utc,from_penetration_m,to_penetration_m,n_blows,mean_energy_kj\n"
        "P2,,,2.0,2.5,31,200\n"
        "P2,,,2.5,3.0,40,\n"
    )
    assert summary_lines(read_campaign(folder)[0]) == [
        "Campaign: Invented??[31m bank",
        "Systems: 2",
        "Stations: 2 (S750 2 files, S1500 1 file)",
        "Piles: 2 (1 monopile impact, 1 jacket vibratory)",
        "Blows: 74 logged",
        "Predictions: 3 levels, 1 distance",
        "Activities: 2 of 1 pile (1 impact, abatement none, 1 vibratory, abatement double bubble curtain)",
        "Driving log: 2 increments of 1 pile, 71 blows",
    ]


def test_hostile_names_are_kept_as_text_and_faults_stay_on_one_line(
    folder: Path, change: Change, faults: Faults
) -> None:
    change("campaign.toml", "Invented bank", "<script>alert(1)</script>")
    assert read_campaign(folder)[0].name == "<script>alert(1)</script>"
    change("campaign.toml", "gain_db = 20", '"gain\\n\\u001b_db" = "\\n\\u001b"')
    change("piles.csv", "monopile", '"mono\n\x1bpile"')
    change("piles.csv", "abatement", '"a\nbatement"')
    text = "".join(str(fault) for fault in faults())
    assert text.isprintable()


# What a mutation puts in: pieces of the formats, edge values, and any text.
PIECES = [
    "",
    ",",
    '"',
    "\n",
    "\r",
    ";",
    "nan",
    "-inf",
    "1e999",
    "0x" + "f" * 5000,
    "[[systems]]",
    "[",
    "]",
    "=",
    "..",
    "/",
]
PIECES += [
    "true",
    "{}",
    "1979-05-27",
    "\x00",
    "é",
    "\ufeff",
    "9" * 400,
    "2025-02-30T00:00:00Z",
    "'''",
    "**",
    "%",
    "%Q",
    "٣",
]
MUTATIONS = st.lists(
    st.tuples(
        st.sampled_from(TABLES),
        st.floats(0, 1, exclude_max=True),
        st.integers(0, 30),
        st.one_of(st.sampled_from(PIECES), st.text(max_size=8)),
    ),
    min_size=1,
    max_size=4,
)


def mutate(folder: Path, mutations: list[tuple[str, float, int, str]]) -> None:
    write_campaign(folder)
    for name, place, length, piece in mutations:
        text = (folder / name).read_bytes().decode(errors="replace")
        start = int(place * len(text))
        changed = text[:start] + piece + text[start + length :]
        (folder / name).write_bytes(changed.encode("utf-8", errors="surrogatepass"))


@settings(
    max_examples=300, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(mutations=MUTATIONS)
def test_damaged_files_raise_nothing_but_input_errors(
    tmp_path: Path, mutations: list[tuple[str, float, int, str]]
) -> None:
    mutate(tmp_path / "damaged", mutations)
    with contextlib.suppress(InputError):
        campaign, _ = read_campaign(tmp_path / "damaged")
        assert Campaign.model_validate_json(campaign.model_dump_json()) == campaign


def test_wrong_types_everywhere_raise_nothing_but_input_errors(folder: Path) -> None:
    """Every value of campaign.toml in turn replaced by one of each other type."""
    lines = FILES["campaign.toml"].splitlines()
    values = ['"text"', '""', "1", "-1", "1.5", "nan", "true", "[]", "[1]", "{}", "{a=1}", "2025-05-01", "08:00:00"]
    for number, line in enumerate(lines):
        key, equals, _ = line.partition(" = ")
        for value in values if equals else ["[stations]", "[[campaign]]", "[x.y]"]:
            changed = [*lines[:number], f"{key} = {value}" if equals else value, *lines[number + 1 :]]
            (folder / "campaign.toml").write_text("\n".join(changed))
            with contextlib.suppress(InputError):
                read_campaign(folder)


def test_damaged_bytes_raise_nothing_but_input_errors(folder: Path) -> None:
    chance = random.Random(20250501)
    for name in TABLES:
        content = bytearray(FILES[name].encode())
        for _ in range(40):
            damaged = bytearray(content)
            damaged[chance.randrange(len(damaged))] = chance.randrange(256)
            (folder / name).write_bytes(bytes(damaged))
            with contextlib.suppress(InputError):
                read_campaign(folder)
        (folder / name).write_bytes(bytes(content))


def test_a_file_that_may_not_be_read_is_the_machine_s_fault(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(path: Path) -> bytes:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(MachineError, match=r"campaign\.toml: Permission denied"):
        read_campaign(folder)


def test_summary_names_impact_piles_without_blows(folder: Path, change: Change) -> None:
    change("piles.csv", "vibratory", "impact")
    assert "Blows: 3 logged; none for P2" in summary_lines(read_campaign(folder)[0])
    (folder / "blows.csv").unlink()
    assert "Blows: no hammer log" in summary_lines(read_campaign(folder)[0])
