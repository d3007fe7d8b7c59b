"""What the page says of stations and chains."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from reconcile.report.tables.chain import chain_table, station_table
from reconcile.vocabulary.documents.campaign import Deployment, System
from tests.report.small_evidence import whole


@pytest.mark.parametrize(("n_points", "shown"), [(3, ["50 Hz", "250 Hz", "5000 Hz"]), (40, ["50 Hz", "2050 Hz"])])
def test_a_sensitivity_curve_is_shown(n_points: int, shown: list[str]) -> None:
    evidence = whole()
    curve: tuple[tuple[float, float], ...] = ((50.0, -180.0), (250.0, -177.2), (5000.0, -172.0))
    if n_points > len(curve):
        curve = tuple((50.0 + 50.0 * k, -180.0 + 0.1 * k) for k in range(n_points + 1))
    chains = tuple(c.model_copy(update={"sensitivity_curve": curve}) for c in evidence.manifest.chains)
    changed = replace(evidence, manifest=evidence.manifest.model_copy(update={"chains": chains}))
    body = chain_table(changed).bodies[0]
    points = [row for row in body.rows if str(row[0]).startswith("its curve")]
    assert [str(row[0]).removeprefix("its curve at ") for row in points] == shown
    assert points[0][3:] == ("−180.00", "dB re 1 V/µPa")
    assert f"{len(curve)} points" in body.note
    assert not any("curve" in str(row) for row in chain_table(evidence).bodies[0].rows)


def test_each_deployment_has_a_row_with_its_place_and_gain() -> None:
    evidence = whole()
    stream = next(s for s in evidence.manifest.streams if s.station_id == "S1")
    changes_at = stream.start_utc + (stream.end_utc - stream.start_utc) / 4
    place = {"mooring_id": "S1b", "latitude_deg": 54.25, "longitude_deg": 6.5}
    moved = Deployment(line=2, station_id="S1", gain_db=8.0, from_utc=changes_at, **place)
    system = System(id="H1", sensitivity_db=-180.0, gain_db=20.0, full_scale_v=2.0, standard_uncertainty_db=0.6)
    campaign = evidence.campaign.model_copy(update={"deployments": (moved,), "systems": (system,)})
    rows = station_table(replace(evidence, campaign=campaign)).bodies[0].rows
    before, after = (row for row in rows if row[0] == "S1")
    assert before[1] == "the beginning"
    assert str(changes_at.strftime("%H:%M:%S")) in str(after[1])
    assert "gain 8.0 dB" in str(after[2])
    assert after[4:6] == ("54.25000", "6.50000")
    assert changes_at - stream.start_utc > timedelta(seconds=1)
