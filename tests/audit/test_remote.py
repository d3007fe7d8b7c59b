"""Recordings in object storage: verified and traced from there as from a disk."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest

pytest.importorskip("s3fs")
pytest.importorskip("moto.server")

from reconcile.audit.trace import trace
from reconcile.audit.verify import verify
from reconcile.campaign import recordings_folder
from reconcile.running import pipeline
from tests.recordings.object_storage import BUCKET, Storage, object_storage
from tests.small_campaign import SmallCampaign, write_small_campaign


@pytest.fixture(scope="module")
def storage() -> Iterator[Storage]:
    with object_storage() as server:
        yield server


@pytest.fixture
def stored(storage: Storage, tmp_path: Path) -> SmallCampaign:
    """A campaign whose recordings are in the bucket alone."""
    campaign = write_small_campaign(tmp_path / "campaign", files=1)
    storage.upload(campaign.folder, "season")
    shutil.rmtree(campaign.folder / "recordings")
    return campaign


@pytest.mark.parametrize("by_url", [True, False], ids=["names are URLs", "a folder by URL"])
def test_verified_and_traced(by_url: bool, stored: SmallCampaign, tmp_path: Path) -> None:
    url, results = f"s3://{BUCKET}/season", tmp_path / "results"
    toml = stored.folder / "campaign.toml"
    if by_url:
        text = toml.read_text(encoding="utf-8").replace('recordings = "', f'recordings = "{url}/')
        toml.write_text(text, encoding="utf-8")
        pipeline.levels(stored.folder, results, workers=1)
        report = verify(results, str(stored.folder), workers=1)
    else:
        pipeline.levels(stored.folder, results, recordings=recordings_folder(url), workers=1)
        report = verify(results, url, stored.folder, workers=1)
    assert report.lines[0] == "All agrees", report.lines
    strike = str(pd.read_parquet(results / "strikes.parquet")["strike_id"][0])
    lines = trace(results, strike, recordings=str(stored.folder) if by_url else url).lines
    assert sum("Samples read again, by a second" in line for line in lines) == 2
    assert sum("(the file at hand is the same)" in line for line in lines) == 2
