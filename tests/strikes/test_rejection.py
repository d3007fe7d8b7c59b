"""False alarms among strikes: what is rejected, for which reasons, and that no true strike is lost."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.strikes.association import associate
from reconcile.strikes.rejection import Rejection, reject
from reconcile.vocabulary.tables import REASONS, REJECTED
from tests.strikes.piling_truth import START_S, Hammer, Piling, Recorder, blows, energies, piling

BANDS = range(12, 40)  # decidecades from 16 Hz to 8 kHz
RECORDERS = {"NEAR": Recorder({"P1": 700.0}, 1.0, hears=0.99), "FAR": Recorder({"P1": 3000.0}, -2.0, hears=0.97)}


def spectrum(centre: int, width: float) -> np.ndarray:
    """Shares of energy by band, a bell over the band numbers."""
    shares = np.exp(-0.5 * ((np.array(BANDS) - centre) / width) ** 2)
    return shares / shares.sum()


KINDS = {  # of false alarms: duration in s, spectrum, exposure in dB above a usual strike's
    "ship": (0.7, spectrum(17, 2.0), -3.0),
    "chain": (0.65, spectrum(33, 3.0), -6.0),
    "ping": (0.004, spectrum(39, 0.4), -8.0),
    "snap": (0.002, spectrum(37, 2.0), -12.0),
    "knock": (0.25, spectrum(12, 0.8), -2.0),
}


def with_shapes(pulses: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Durations and spectra of strikes: 0.08 s and a bell about 200 Hz, each a little different; a quiet background."""
    n = len(pulses)
    width, centre = rng.uniform(3.5, 4.5, n), rng.normal(23.0, 0.7, n)
    shares = np.exp(-0.5 * ((np.array(BANDS)[None, :] - centre[:, None]) / width[:, None]) ** 2)
    shares *= 10 ** (0.1 * rng.normal(0, 1.0, shares.shape))
    shares /= shares.sum(axis=1, keepdims=True)
    table = pulses.assign(duration_s=0.08 * np.exp(0.2 * rng.standard_normal(n)), cable_knock=False, peak_pa=1.0)
    for k, band in enumerate(BANDS):
        table[f"band_{band}"] = shares[:, k] * table["energy_pa2_s"]
        table[f"band_noise_{band}"] = 1e-4 * table["energy_pa2_s"] / len(BANDS)
    return table.assign(kind="strike")


def false_alarm(station: str, at_s: float, kind: str, like: pd.Series) -> dict[str, object]:
    duration, shares, above_db = KINDS[kind]
    energy = float(like["energy_pa2_s"]) * 10 ** (above_db / 10)
    row: dict[str, object] = dict(like)
    row |= {"station_id": station, "time_us": round((START_S + at_s) * 1e6), "blow": 0, "in_log": False, "kind": kind}
    row |= {"energy_pa2_s": energy, "duration_s": duration, "cable_knock": kind == "knock"}
    row |= {f"band_{band}": shares[k] * energy for k, band in enumerate(BANDS)}
    return row | {f"band_noise_{band}": 1e-4 * energy / len(BANDS) for band in BANDS}


def noisy(seed: int, recorders: dict[str, Recorder], *, logged: bool, per_kind: int = 6) -> Piling:
    """A pile with false alarms of each kind at its first station, at random times."""
    rng = np.random.default_rng(seed)
    hammer = Hammer(blows(rng, 400), energies(rng, 400), 30.0, missing=0.05, logged=logged)
    truth = piling(rng, {"P1": hammer}, recorders)
    pulses = with_shapes(truth.pulses, rng)
    first = next(iter(recorders))
    usual = pulses[pulses["station_id"] == first].iloc[200]
    rows = [false_alarm(first, rng.uniform(20.0, 470.0), kind, usual) for kind in KINDS for _ in range(per_kind)]
    everything = pd.concat([pulses, pd.DataFrame(rows)], ignore_index=True)
    truth.pulses = everything.sort_values(["station_id", "time_us"], ignore_index=True)
    return truth


def rejected(truth: Piling) -> Rejection:
    found = associate(truth.pulses, truth.campaign, truth.log)
    return reject(truth.pulses, found, truth.campaign, truth.recorded)


@pytest.mark.parametrize("logged", [True, False])
@pytest.mark.parametrize("seed", [1601, 1602, 1603])
def test_false_alarms_are_rejected_and_strikes_are_not(seed: int, logged: bool) -> None:
    truth = noisy(seed, RECORDERS, logged=logged)
    found = rejected(truth)
    strike = (truth.pulses["kind"] == "strike").to_numpy()
    assert not found.out[strike].any()
    assert found.out[~strike].mean() > 0.95
    assert tuple(found.rejected.columns) == REJECTED.column_names
    assert len(found.rejected) == found.out.sum() == len(truth.pulses) - len(found.association.strike_id)
    assert all(reasons and set(reasons) <= set(REASONS) for reasons in found.rejected["reasons"])


@pytest.mark.parametrize("seed", [1604, 1605, 1606])
def test_one_station_without_a_log_loses_no_strike(seed: int) -> None:
    truth = noisy(seed, {"ONLY": Recorder({"P1": 700.0})}, logged=False)
    found = rejected(truth)
    strike = (truth.pulses["kind"] == "strike").to_numpy()
    assert not found.out[strike].any()
    assert found.out[~strike].mean() > 0.8


def test_where_false_alarms_are_as_many_as_strikes_a_lone_station_rejects_nothing_for_its_shape() -> None:
    truth = noisy(1607, {"ONLY": Recorder({"P1": 700.0})}, logged=False, per_kind=80)
    assert not rejected(truth).out[(truth.pulses["kind"] == "strike").to_numpy()].any()


def test_the_reasons_are_those_of_the_kind() -> None:
    truth = noisy(1608, RECORDERS, logged=True)
    found = rejected(truth)
    kinds = truth.pulses["kind"][found.out].to_numpy()
    order = np.argsort(truth.pulses["time_us"][found.out].to_numpy(), kind="stable")
    reasons = [set(r) for r in found.rejected["reasons"]]
    for kind, wanted in {
        "ship": {"too_long", "one_place_only"},
        "chain": {"too_long", "unlike_spectrum"},
        "ping": {"too_short", "unlike_spectrum"},
        "snap": {"too_short", "unlike_spectrum"},
        "knock": {"slow_and_low", "unlike_spectrum"},
    }.items():
        of_kind = [r for r, k in zip(reasons, kinds[order], strict=True) if k == kind]
        assert of_kind
        assert all(wanted <= r for r in of_kind)


def test_what_was_matched_with_a_logged_blow_is_never_rejected() -> None:
    truth = noisy(1609, RECORDERS, logged=True, per_kind=0)
    strange = truth.pulses.index[truth.pulses["in_log"] & (truth.pulses["blow"] % 20 == 0)]
    truth.pulses.loc[strange, "duration_s"] = 0.7
    for k, band in enumerate(BANDS):
        truth.pulses.loc[strange, f"band_{band}"] = KINDS["ping"][1][k] * truth.pulses.loc[strange, "energy_pa2_s"]
    assert len(strange) > 20
    assert not rejected(truth).out.any()


def test_an_identity_of_which_nothing_is_left_is_gone() -> None:
    found = rejected(noisy(1610, RECORDERS, logged=True))
    assert set(found.association.strikes["strike_id"]) <= set(found.association.strike_id)


def test_columns_that_are_not_there_are_not_judged() -> None:
    truth = noisy(1611, RECORDERS, logged=True)
    bare = truth.pulses[["station_id", "time_us"]]
    found = reject(bare, associate(bare, truth.campaign, truth.log), truth.campaign, truth.recorded)
    assert all(set(reasons) <= {"one_place_only", "off_rhythm"} for reasons in found.rejected["reasons"])
