"""A stage that runs again removes what later stages made of the state before."""

from __future__ import annotations

from pathlib import Path

from reconcile.running import pipeline, provenance
from tests.small_campaign import write_small_campaign


def test_levels_again_leaves_no_stale_bias(tmp_path: Path) -> None:
    campaign, results = tmp_path / "campaign", tmp_path / "results"
    write_small_campaign(campaign, predictions=True)
    pipeline.run(campaign, results)
    later = [name for stage in ("fit", "compare", "report") for name in provenance.OUTPUTS[stage]]
    assert all((results / name).exists() for name in later)
    pipeline.levels(campaign, results)
    assert not any((results / name).exists() for name in later)
    manifest = provenance.read_manifest(results)
    assert manifest.complete
    assert [stage.stage for stage in manifest.stages] == ["levels"]
    assert set(manifest.outputs) == set(provenance.OUTPUTS["levels"])


def test_fit_again_leaves_the_levels(tmp_path: Path) -> None:
    campaign, results = tmp_path / "campaign", tmp_path / "results"
    write_small_campaign(campaign, predictions=True)
    pipeline.run(campaign, results)
    pipeline.fit(results, None)
    assert all((results / name).exists() for stage in ("levels", "fit") for name in provenance.OUTPUTS[stage])
    assert not (results / "bias.json").exists()
