"""A small campaign with predictions, run once: tests that change anything work on copies."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from reconcile.running import pipeline
from tests.small_campaign import SmallCampaign, write_small_campaign

FILE_S = 20.5  # the eleventh strike of P1 at NEAR arrives at 20.45 s: across the join of two files


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> SmallCampaign:
    """The campaign as written."""
    folder = tmp_path_factory.mktemp("audit") / "campaign"
    return write_small_campaign(folder, files=2, file_s=FILE_S, predictions=True)


@pytest.fixture(scope="session")
def results(small: SmallCampaign) -> Path:
    """Its results, with CSV; not inside the campaign's folder."""
    folder = small.folder.parent / "results"
    pipeline.run(small.folder, folder, workers=1)
    pipeline.report(folder, with_csv=True)
    return folder


@pytest.fixture(scope="session")
def first_stage(small: SmallCampaign) -> Path:
    """Results of the first stage alone, which are quickly made again."""
    folder = small.folder.parent / "first_stage"
    pipeline.levels(small.folder, folder, workers=1)
    return folder


@pytest.fixture
def copied_first_stage(first_stage: Path, tmp_path: Path) -> Path:
    """A copy of these that may be spoilt."""
    shutil.copytree(first_stage, tmp_path / "results", ignore=shutil.ignore_patterns("parts"))
    return tmp_path / "results"


@pytest.fixture
def copied(results: Path, tmp_path: Path) -> Path:
    """A copy of the results that may be spoilt."""
    shutil.copytree(results, tmp_path / "results", ignore=shutil.ignore_patterns("parts"))
    return tmp_path / "results"


@pytest.fixture
def changed_run(small: SmallCampaign, tmp_path: Path) -> Callable[[str, str, bool], Path]:
    """Runs the campaign again, or its first stage, with one text of campaign.toml replaced; returns the results."""

    def run(old: str, new: str, whole: bool) -> Path:
        folder = tmp_path / "changed"
        shutil.copytree(small.folder, folder)
        toml = folder / "campaign.toml"
        text = toml.read_text(encoding="utf-8")
        assert old in text
        toml.write_text(text.replace(old, new, 1), encoding="utf-8")
        (pipeline.run if whole else pipeline.levels)(folder, tmp_path / "changed_results", workers=1)
        return tmp_path / "changed_results"

    return run
