"""One strike's view on closed forms, and sound to listen to."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile

from reconcile.review.decision_file import NewDecision
from reconcile.review.session import NoSoundError, Review
from reconcile.review.strike_list import nearest
from reconcile.review.strike_view import spectrogram, wav_bytes
from reconcile.running.levels_stage import levels
from reconcile.running.reviewing import make_envelopes, open_review
from reconcile.vocabulary.errors import InputError
from tests.decided_campaign import KNOCK_PA, RULED_PA, TAU_S, Decidable, exposure_level_db, write_decidable

DURATION_S = TAU_S / 2 * np.log(0.95 / 0.05)  # of an exponential decay, 5 % to 95 %


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Decidable:
    made = write_decidable(tmp_path_factory.mktemp("viewed") / "campaign")
    levels(made.folder, made.folder / "results", workers=1)
    return made


@pytest.fixture
def review(campaign: Decidable) -> Review:
    return open_review(campaign.folder, campaign.folder / "results")


@pytest.mark.parametrize(("which", "size"), [("knock_s", KNOCK_PA), ("ruled_s", RULED_PA)])
def test_levels_and_energy_of_a_damped_sine(campaign: Decidable, review: Review, which: str, size: float) -> None:
    """A strike, and a pulse that a rule rejected."""
    place = nearest(review.table, "NEAR", campaign.utc(getattr(campaign, which)))
    assert place is not None
    view = review.view(place)
    at = round(-view.start_s * view.rate_hz)
    inside = view.pressure_pa[at : at + round(view.window_s[1] * view.rate_hz)]
    level = 10 * np.log10(np.sum(inside**2) / view.rate_hz / 1e-12)
    assert level == pytest.approx(exposure_level_db(size), abs=0.1)
    assert 20 * np.log10(np.abs(inside).max() / 1e-6) == pytest.approx(view.levels["peak_level_db"], abs=0.01)
    assert view.energy_5_s is not None
    assert view.energy_95_s is not None
    assert view.energy_95_s - view.energy_5_s == pytest.approx(DURATION_S, abs=0.002)
    assert view.energy_share is not None
    assert view.energy_share[-1] == pytest.approx(1.0)
    assert view.quiet_s == pytest.approx((-0.23, -0.03), abs=0.002)
    t5 = (review.table["time_utc"].iloc[place] - pd.Timestamp(campaign.utc(0.0))).total_seconds()
    assert view.energy_5_s + t5_window(review, place, campaign) == pytest.approx(t5, abs=0.001)
    loudest = view.spectrogram.frequency_hz[np.unravel_index(np.argmax(view.spectrogram.level_db), (
        len(view.spectrogram.frequency_hz), len(view.spectrogram.time_s)))[0]]  # fmt: skip
    assert loudest == pytest.approx(200.0, abs=70.0)


def t5_window(review: Review, place: int, campaign: Decidable) -> float:
    """Start of the pulse interval, seconds after P1's first sample, from the file's name and the sample in it."""
    row = review.row(place)
    name = Path(row["recording"]).stem.removeprefix("NEAR_").removesuffix("Z")
    start = pd.to_datetime(name, format="%Y%m%dT%H%M%S.%f", utc=True) - pd.Timestamp(campaign.utc(0.0))
    return float(start.total_seconds() + row["start_sample"] / 8000)


def test_the_pressure_of_some_seconds(campaign: Decidable, review: Review) -> None:
    from_us, to_us = (round(campaign.utc(campaign.knock_s + s).timestamp() * 1e6) for s in (-0.1, 0.4))
    found = review.pressure("NEAR", from_us, to_us, 100)
    largest = max(np.nanmax(found.highest_pa), -np.nanmin(found.lowest_pa))
    assert largest == pytest.approx(KNOCK_PA * np.exp(-1 / (4 * 200 * TAU_S)), rel=0.05)  # at a quarter of its period
    assert np.abs(found.highest_pa[:15]).max() < 1.0
    with pytest.raises(ValueError, match="at most"):
        review.pressure("NEAR", from_us, from_us + 20_000_000, 100)
    assert np.isnan(review.pressure("NEAR", 0, 1_000_000, 10).lowest_pa).all()


def test_the_overview_shows_the_strikes(campaign: Decidable, review: Review) -> None:
    list(make_envelopes(review))
    assert review.envelopes.n_missing == 0
    (start_us, end_us), _ = review.envelopes.spans_us("NEAR")
    columns = review.envelopes.columns("NEAR", start_us, end_us, 400)  # of 0.1 s
    loud = columns.highest_pa2 > 100.0
    hit = {int(s * 10) for s in [*campaign.strikes_s, campaign.knock_s, campaign.ruled_s, campaign.second_s]}
    assert all(loud[k] or loud[k + 1] for k in hit)
    assert loud.sum() <= 3 * len(hit)


def test_a_decision_by_the_session(campaign: Decidable, review: Review) -> None:
    seen = review.version()
    given = NewDecision("AB", "NEAR", campaign.utc(campaign.knock_s), "reject", "a knock")
    written = review.decide(given, seen)
    assert review.version() == written.version != seen
    assert len(review.decisions()) == review.n_applied + 1
    wrong = NewDecision("AB", "NEAR", campaign.utc(campaign.knock_s + 0.3), "reject", "nothing there")
    with pytest.raises(InputError, match="no strike within 50 ms"):
        review.decide(wrong, review.version())
    (campaign.folder / "decisions.csv").unlink()


def test_a_place_that_is_not_there(review: Review) -> None:
    for place in (-1, len(review.table)):
        with pytest.raises(IndexError):
            review.view(place)
    review.listeners = []
    with pytest.raises(NoSoundError):
        review.view(0)


def test_listening() -> None:
    """A tone of 400 Hz at a quarter speed is one of 100 Hz, four times as long, at half of full scale."""
    rate = 48_000
    sound = 3.0 * np.sin(2 * np.pi * 400.0 * np.arange(rate) / rate)
    samples, out_hz = soundfile.read(io.BytesIO(wav_bytes(sound, rate)))
    assert len(samples) / out_hz == pytest.approx(4.0)
    peak = np.argmax(np.abs(np.fft.rfft(samples))) * out_hz / len(samples)
    assert peak == pytest.approx(100.0, abs=0.5)
    assert np.abs(samples).max() == pytest.approx(0.5, abs=0.001)
    louder, _ = soundfile.read(io.BytesIO(wav_bytes(sound, rate, gain_db=20.0)))
    assert np.abs(louder).max() <= 1.0
    quieter, _ = soundfile.read(io.BytesIO(wav_bytes(sound, rate, gain_db=-20.0)))
    assert np.abs(quieter).max() == pytest.approx(0.05, abs=0.001)


@pytest.mark.parametrize("rate", [1000, 8000, 500_000])
def test_rates_that_no_browser_plays_are_brought_to_one(rate: int) -> None:
    _, out_hz = soundfile.read(io.BytesIO(wav_bytes(np.ones(rate // 10), rate)))
    assert 8000 <= out_hz <= 96_000


@pytest.mark.parametrize("given", [{"speed": 0.0}, {"speed": 2.0}, {"gain_db": 61.0}, {"speed": float("nan")}])
def test_speed_and_gain_are_bounded(given: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="a speed from"):
        wav_bytes(np.zeros(10), 8000, **given)


def test_the_spectrogram_of_white_noise() -> None:
    """The density of white noise is its mean square over half the rate, at every frequency."""
    rate = 16_000
    noise = np.random.default_rng(3).normal(0.0, 2.0, 8 * rate)
    found = spectrogram(noise, rate, 0.0)
    density = np.mean(10 ** (found.level_db[2:-2] / 10), axis=1) * 1e-12
    assert len(found.time_s) <= 601
    np.testing.assert_allclose(density, 4.0 / (rate / 2), rtol=0.2)
