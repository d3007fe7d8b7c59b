"""The data of the view of single strikes: read back by a plain decoder, thinned honestly."""

from __future__ import annotations

import base64
import json
import zlib

import numpy as np
import pandas as pd
import pytest

from reconcile.report import strike_view as module
from reconcile.report.strike_view import StrikeView, strike_view
from tests.report import small_evidence

NULL = -(2**31)


def decoded(view: StrikeView) -> tuple[dict, dict[str, np.ndarray]]:
    """The columns, number by number, as the description of the format says."""
    head = json.loads(view.head)
    data = zlib.decompress(base64.b64decode(view.body))
    n = head["rows"]
    assert len(data) == 4 * n * len(head["columns"])
    columns = {}
    for place, name in enumerate(head["columns"]):
        planes = [data[4 * n * place + n * k :][:n] for k in range(4)]
        total, values = 0, []
        for four in zip(*planes, strict=True):
            total = (total + int.from_bytes(bytes(four), "little")) % 2**32
            values.append(total - 2**32 if total >= 2**31 else total)
        columns[name] = np.array(values)
    return head, columns


def test_every_strike_comes_back() -> None:
    evidence = small_evidence.whole()
    view = strike_view(evidence)
    assert view is not None
    head, columns = decoded(view)
    rows = evidence.strikes.sort_values(["pile_id", "station_id", "time_utc"]).reset_index(drop=True)
    ids = [
        head["words"]["before"][before] + str(number).zfill(digits)
        for before, number, digits in zip(columns["before"], columns["number"], columns["digits"], strict=True)
    ]
    assert ids == rows["strike_id"].tolist()
    assert [head["words"]["recording"][k] for k in columns["recording"]] == rows["recording"].tolist()
    assert columns["sample"].tolist() == rows["start_sample"].tolist()
    assert [head["stations"][k]["name"] for k in columns["station"]] == rows["station_id"].tolist()
    first = rows["time_utc"].min()
    assert columns["time_ms"].tolist() == [round((t - first).total_seconds() * 1e3) for t in rows["time_utc"]]
    for quantity in head["quantities"]:
        if quantity["column"] in rows:
            back = columns[quantity["column"]] * quantity["step"]
            np.testing.assert_allclose(back, rows[quantity["column"]], atol=0.0501)
    limits = ["none", "at_least", "at_most"]
    assert [limits[k] for k in columns["exposure_censoring"]] == rows["exposure_censoring"].tolist()
    energies = [None if value == NULL else value for value in columns["energy"]]
    assert energies == [None if pd.isna(e) else round(e) for e in rows["energy_kj"]]
    assert view.said == f"All {len(rows)} strikes at their stations, heard or not."


def test_too_many_are_thinned_and_the_extremes_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    evidence = small_evidence.with_strikes(6000)
    monkeypatch.setattr(module, "_MOST_ROWS", 600)
    view = strike_view(evidence)
    assert view is not None
    head, columns = decoded(view)
    assert 300 <= head["rows"] <= 700
    assert f"Thinned: {head['rows']} of 6000 strikes" in view.said
    assert "denser at its edges" in view.said
    whole = evidence.strikes.groupby(["pile_id", "station_id"])[["exposure_level_db", "peak_level_db"]]
    for (pile_id, station_id), extremes in whole.agg(["min", "max"]).iterrows():
        own = (np.array(head["piles"])[columns["pile"]] == pile_id) & (
            np.array([s["name"] for s in head["stations"]])[columns["station"]] == station_id
        )
        for name in ("exposure_level_db", "peak_level_db"):
            shown = columns[name][own] * 0.1
            assert shown.min() == pytest.approx(extremes[(name, "min")], abs=0.0501)
            assert shown.max() == pytest.approx(extremes[(name, "max")], abs=0.0501)


def test_nothing_without_strikes_of_a_pile() -> None:
    evidence = small_evidence.whole()
    nobody = small_evidence.replace(evidence, strikes=evidence.strikes.assign(pile_id=None))
    assert strike_view(nobody) is None
