"""[[vessel_passages]] and tones_of of campaign.toml: read, and refused where they are wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.campaign import read_campaign
from reconcile.campaign.template import CAMPAIGN_TOML
from reconcile.vocabulary.errors import InputError
from tests.small_campaign import write_small_campaign

PASSAGE = """
[[vessel_passages]]
station_id = "NEAR"
from_utc = "2025-05-01T08:00:10Z"
to_utc = "2025-05-01T08:00:20Z"
note = "supply vessel, 300 m"
[[vessel_passages]]
from_utc = "2025-05-02T08:00:10Z"
to_utc = "2025-05-02T08:00:20Z"
"""


def written(folder: Path, text: str) -> Path:
    write_small_campaign(folder, files=1, file_s=1.0)
    path = folder / "campaign.toml"
    path.write_text(path.read_text(encoding="utf-8") + text, encoding="utf-8")
    return folder


def test_passages_are_read(tmp_path: Path) -> None:
    campaign, _ = read_campaign(written(tmp_path, PASSAGE))
    first, second = campaign.vessel_passages
    assert (first.station_id, first.note, second.station_id, second.note) == ("NEAR", "supply vessel, 300 m", None, "")
    assert (first.to_utc - first.from_utc).total_seconds() == 10.0
    assert campaign.settings.tones_of == ("vibratory",)


def test_drilling_may_be_asked_for(tmp_path: Path) -> None:
    campaign, _ = read_campaign(written(tmp_path, '[settings]\ntones_of = ["vibratory", "drilled"]\n'))
    assert campaign.settings.tones_of == ("vibratory", "drilled")


def test_every_method_but_impact_may_be_asked_for(tmp_path: Path) -> None:
    """Those that the template and the method page list."""
    methods = ("vibratory", "drilled", "suction", "dredging", "other")
    asked = ", ".join(f'"{method}"' for method in methods)
    campaign, _ = read_campaign(written(tmp_path, f"[settings]\ntones_of = [{asked}]\n"))
    assert campaign.settings.tones_of == methods
    for text in (CAMPAIGN_TOML, (Path(__file__).parents[2] / "docs" / "method.md").read_text(encoding="utf-8")):
        said = text[text.index("tones_of") :][:400]
        assert all(method in said for method in methods)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (PASSAGE.replace('"NEAR"', '"NAER"'), "did you mean"),
        (PASSAGE.replace("08:00:20Z", "08:00:05Z", 1), "vessel_passages[0].to_utc: found 2025-05-01T08:00:05Z"),
        (PASSAGE.replace("08:00:20Z", "08:00:05Z", 1), "after from_utc, 2025-05-01T08:00:10Z"),
        (PASSAGE[: PASSAGE.rindex("[[")].replace("[[", "[").replace("]]", "]"), "write [[vessel_passages]]"),
        ('[settings]\ntones_of = "vibratory"\n', 'a list, for example ["vibratory"]'),
        ('[settings]\noversampled_peak = "yes"\n', "true or false, without quotes"),
        (PASSAGE.replace("note", "remark"), "unknown key"),
        (PASSAGE.replace("08:00:10Z", "08:00:10", 1), "time"),
        ('[settings]\ntones_of = ["impact"]\n', "tones_of"),
    ],
)
def test_what_is_wrong_is_refused(tmp_path: Path, wrong: str, said: str) -> None:
    with pytest.raises(InputError) as refused:
        read_campaign(written(tmp_path, wrong))
    assert said in str(refused.value)
