"""Results folders below one root asked as one: every statement of docs/many_projects.md is run, in its order."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pandas as pd
import pytest

from reconcile.running import pipeline
from tests.small_campaign import write_small_campaign

duckdb = pytest.importorskip("duckdb")
PAGE = Path(__file__).parents[2] / "docs" / "many_projects.md"


def statements() -> list[str]:
    """All SQL of the page, statement by statement."""
    blocks = re.findall(r"```sql\n(.*?)```", PAGE.read_text(encoding="utf-8"), flags=re.DOTALL)
    return [text.strip() for block in blocks for text in block.split(";\n") if text.strip()]


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two projects below one folder, one of them without predictions."""
    root = tmp_path_factory.mktemp("projects")
    for name, predictions in (("alpha", True), ("beta", False)):
        campaign = write_small_campaign(root / name, files=1, predictions=predictions, seed=len(name))
        stages = pipeline.run if predictions else pipeline.levels
        stages(campaign.folder, campaign.folder / "results", workers=1, hashed=False)
    return root


def test_every_statement_of_the_page(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(root)
    answers = []
    with duckdb.connect() as connection:
        for statement in statements():
            found = connection.execute(statement)
            if statement.upper().startswith("SELECT"):
                answers.append(found.df())
        assert len(answers) >= 4
        assert all(len(answer) for answer in answers), [len(answer) for answer in answers]
        rows = connection.execute("SELECT project, count(*) AS n FROM strikes GROUP BY project ORDER BY project").df()
    for project, n in zip(rows["project"], rows["n"], strict=True):
        assert n == len(pd.read_parquet(root / project / "results" / "strikes.parquet"))
    assert list(rows["project"]) == ["alpha", "beta"]


def test_a_folder_that_is_not_finished_is_not_asked(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(root, tmp_path / "projects")
    manifest = tmp_path / "projects" / "beta" / "results" / "manifest.json"
    text = manifest.read_text(encoding="utf-8")
    manifest.write_text(text.replace('"complete": true', '"complete": false'), encoding="utf-8")
    monkeypatch.chdir(tmp_path / "projects")
    with duckdb.connect() as connection:
        for statement in statements():
            connection.execute(statement)
        assert connection.execute("SELECT DISTINCT project FROM strikes").fetchall() == [("alpha",)]
