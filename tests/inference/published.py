"""Published regression results beside the tests that compare with them."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

REFERENCE = Path(__file__).parents[1] / "reference"


def data(problem: str) -> pd.DataFrame:
    """Data of a published problem."""
    return pd.read_csv(REFERENCE / f"regression_{problem}_data.csv", comment="#")


def certified(problem: str) -> dict[str, float]:
    """Certified or published results of a problem, by quantity."""
    table = pd.read_csv(REFERENCE / "regression_reference.csv", comment="#")
    rows = table[table["problem"] == problem]
    return dict(zip(rows["quantity"], rows["value"], strict=True))
