"""Insertion loss against the truth of invented campaigns: a curtain on after soft start, one pile without it.

Written before the first run. Each campaign: one pile without abatement and four that are struck 30 times without and
then with a curtain; on one of these a compressor is out for ten minutes (a state of its own in activities.csv, 4 dB
weaker). Two bearings with hydrophones at 750 m and 2000 m; the field differs by 6 dB between the bearings. Drawn anew:
piles 2.0 dB, places 1.5 dB, the curtain from pile to pile 1.0 dB and from place to place 1.5 dB, chains 0.7 dB, a pile
at a place 0.7 dB, strikes 0.8 dB with serial correlation 0.5; 11 dB per decade of energy. The curtain's noise raises
the background by 12 dB while it is on: in the 1000 Hz band it hides the farther hydrophones.
Gate: seeds 0 to 23, the stated 95 % interval holds the truth in 83 % of the campaigns or more. Long: seeds 1000 to
1999, 92 to 97.5 %, for the full band, the 63 Hz band and the 1000 Hz band each. The same where the curtain is on from
the first strike, so that the one reference pile is all there is without it: seeds 2000 to 2499, the same band.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pytest

from reconcile.comparison.insertion_loss import insertion_losses
from reconcile.vocabulary.band_limits import margin_db
from reconcile.vocabulary.decidecades import band_number
from reconcile.vocabulary.documents.campaign import Activity, Campaign
from reconcile.vocabulary.tables import INSERTION_LOSS
from reconcile.vocabulary.tables.bands import exposure_column, noise_column
from tests.spreading import level_campaigns as invented

LOSS_DB = {None: 10.0, 63.0: 4.0, 1000.0: 16.0}
LEVEL_DB = {None: 176.0, 63.0: 160.0, 1000.0: 150.0}  # at 750 m without abatement
NOISE_DB = {63.0: 105.0, 1000.0: 118.0}
NOISE_OF_CURTAIN_DB, WEAKER_DB, BEARING_DB = 12.0, 4.0, 6.0
SPREADING_DB, ENERGY_DB = 15.0, 11.0
CURTAIN, WEAK = "bubble curtain", "bubble curtain, one compressor out"
STATIONS = {"N750": 750.0, "N2000": 2000.0, "S750": 750.0, "S2000": 2000.0}
SOFT, FULL, OUT = 30, 90, 60  # strikes, one each ten seconds: 60 are ten minutes
STEP_S = 10


class Invented:
    """One campaign: tables of strikes and bands, and what is true of it."""

    def __init__(
        self, seed: int, by_bearing_db: float = 0.0, *, soft_start_without: bool = True, quiet: bool = False
    ) -> None:
        self.first = "none" if soft_start_without else CURTAIN
        self.random = np.random.default_rng(seed)
        self.scale = 0.02 if quiet else 1.0  # on everything that is drawn
        draw = self._normal
        self.by_place = {s: draw(0.0, 1.5) + draw(0.0, 0.7) + (3.0 if s[0] == "N" else -3.0) for s in STATIONS}
        self.curtain_by_place = {s: draw(0.0, 1.5) for s in STATIONS}
        if by_bearing_db:
            self.curtain_by_place = {s: by_bearing_db / 2 * (1.0 if s[0] == "N" else -1.0) for s in STATIONS}
        frames = [self._pile(f"A{k}", n) for k, n in enumerate((0, OUT, 0, 0))] + [self._pile("R", 0)]
        self.strikes = pd.concat([f for f, _ in frames], ignore_index=True)
        self.strikes["flags"] = [[] for _ in range(len(self.strikes))]
        columns = [
            "strike_id",
            "station_id",
            *(c(band_number(b)) for b in NOISE_DB for c in (exposure_column, noise_column)),
        ]
        self.bands = self.strikes[columns]
        self.strikes = self.strikes.drop(columns=columns[2:])
        activities = tuple(a for _, own in frames for a in own)
        self.campaign = _campaign(activities)

    def _normal(self, mean: float, deviation: float, size: int | None = None) -> Any:
        return self.random.normal(mean, deviation * self.scale, size)

    def _pile(self, pile_id: str, n_out: int) -> tuple[pd.DataFrame, list[Activity]]:
        """The strikes of a pile: soft start, full drive, and `n_out` more with a compressor out."""
        n = SOFT + FULL + n_out
        reference = pile_id == "R"
        first, full = ("none", "none") if reference else (self.first, CURTAIN)
        state = np.repeat([first, full, WEAK], (SOFT, FULL, n_out))
        energy = np.r_[np.linspace(400.0, 1200.0, SOFT), np.full(FULL + n_out, 2000.0)] * self.random.uniform(
            0.9, 1.1, n
        )
        loss = {"none": 0.0, CURTAIN: 1.0, WEAK: 1.0}
        on = np.array([loss[s] for s in state])
        weaker = np.where(state == WEAK, WEAKER_DB, 0.0)
        pile_db, curtain_db = self._normal(0.0, 2.0), self._normal(0.0, 1.0)
        start = invented.START + timedelta(days=int(self.random.integers(1, 2)) + ord(pile_id[-1]))
        frames = []
        for station, range_m in STATIONS.items():
            shared = self.by_place[station] + pile_db + ENERGY_DB * np.log10(energy / 2000.0)
            shared = shared - SPREADING_DB * np.log10(range_m / 750.0)
            abated = on * (curtain_db + self.curtain_by_place[station]) - weaker
            # what one pile at one place has of its own, in each state
            own = np.select([state == s for s in (CURTAIN, WEAK)], self._normal(0.0, 0.7, 2), self._normal(0.0, 0.7))
            true = {b: LEVEL_DB[b] + shared + own - on * LOSS_DB[b] - abated + self._scatter(n) for b in LOSS_DB}
            frames.append(self._rows(pile_id, station, range_m, energy, state, true, start))
        cuts = ((0, SOFT, first), (SOFT, SOFT + FULL, full), (SOFT + FULL, n, WEAK))
        activities = [
            Activity(line=2, activity_id=f"{pile_id}-{a}", pile_id=pile_id, installation_method="impact",
                     abatement=name, start_utc=start + timedelta(seconds=STEP_S * a),
                     end_utc=start + timedelta(seconds=STEP_S * b))
            for a, b, name in cuts if b > a
        ]  # fmt: skip
        return pd.concat(frames, ignore_index=True), activities

    def _scatter(self, n: int) -> np.ndarray:
        steps = self._normal(0.0, 0.8, n)
        for k in range(1, n):
            steps[k] = 0.5 * steps[k - 1] + np.sqrt(0.75) * steps[k]
        return steps

    def _rows(
        self, pile_id: str, station: str, range_m: float, energy: np.ndarray, state: np.ndarray,
        true: dict[float | None, np.ndarray], start: datetime,
    ) -> pd.DataFrame:  # fmt: skip
        n = energy.size
        order = np.arange(n)
        first = np.select([order < SOFT, order < SOFT + FULL], [0, SOFT], SOFT + FULL)
        frame = pd.DataFrame(
            {
                "strike_id": [f"{pile_id}-{k:05d}" for k in range(n)],
                "pile_id": pile_id,
                "station_id": station,
                "system_id": f"H-{station}",
                "mooring_id": station,
                "activity_id": [f"{pile_id}-{k}" for k in first],
                "time_utc": pd.Timestamp(start) + pd.to_timedelta(STEP_S * np.arange(n), unit="s"),
                "range_m": range_m,
                "energy_kj": energy,
                "exposure_level_db": true[None],
                "exposure_censoring": "none",
            }
        )
        for band, quiet_db in NOISE_DB.items():
            number = band_number(band)
            noise = quiet_db + np.where(state == "none", 0.0, NOISE_OF_CURTAIN_DB) + self._normal(0.0, 1.0, n)
            limit = noise + margin_db(number, 3.0)
            frame[exposure_column(number)] = np.where(true[band] > limit, true[band], limit)
            frame[noise_column(number)] = noise
        return frame


def _campaign(activities: tuple[Activity, ...]) -> Campaign:
    cells = {(p, s): r for p in ("A0", "A1", "A2", "A3", "R") for s, r in STATIONS.items()}
    piles = [
        invented.pile(p, abatement="none" if p == "R" else CURTAIN, prediction_id=None)
        for p in ("A0", "A1", "A2", "A3", "R")
    ]
    return invented.campaign(piles, cells).model_copy(update={"activities": activities})


def _all_places(table: pd.DataFrame, state: str = CURTAIN) -> pd.DataFrame:
    return table[table["mooring_id"].isna() & (table["abatement"] == state)]


def _coverage(seeds: range, *, soft_start_without: bool = True) -> pd.DataFrame:
    held: dict[float | None, list[tuple[bool, float, float]]] = {band: [] for band in LOSS_DB}
    for seed in seeds:
        one = Invented(seed, soft_start_without=soft_start_without)
        rows = _all_places(insertion_losses(one.strikes, one.bands, one.campaign, by_place=False))
        for band, truth in LOSS_DB.items():
            row = rows[rows["band_hz"].isna() if band is None else rows["band_hz"] == band].iloc[0]
            width = row["upper_95_db"] - row["lower_95_db"]
            inside = row["lower_95_db"] <= truth and not truth > row["upper_95_db"]
            held[band].append((bool(inside), row["insertion_loss_db"] - truth, width))
    found = {str(b): [np.mean([h for h, _, _ in r]), np.mean([e for _, e, _ in r]), np.mean([w for *_, w in r])]
             for b, r in held.items()}  # fmt: skip
    return pd.DataFrame(found, index=["coverage", "mean error", "width"]).T


def test_energy_and_bearing_are_not_taken_for_the_curtain() -> None:
    """Medians alone are wrong by the energies' 5 dB and more; a campaign with hardly any scatter is within 0.3 dB."""
    one = Invented(0, quiet=True)
    table = insertion_losses(one.strikes, one.bands, one.campaign)
    row = _all_places(table)[_all_places(table)["band_hz"].isna()].iloc[0]
    assert row["insertion_loss_db"] == pytest.approx(LOSS_DB[None], abs=0.3)
    assert row["energy_shift_db"] < -3.0
    assert (row["n_piles"], row["n_reference_piles"], row["n_paired_piles"], row["n_paired_places"]) == (4, 5, 4, 4)
    weak = _all_places(table, WEAK)
    weak = weak[weak["band_hz"].isna()].iloc[0]
    assert weak["insertion_loss_db"] == pytest.approx(LOSS_DB[None] - WEAKER_DB, abs=0.3)
    assert "few_abated_piles" in weak["flags"]


def test_places_show_a_curtain_that_is_weaker_on_one_bearing() -> None:
    one = Invented(0, by_bearing_db=BEARING_DB, quiet=True)
    table = insertion_losses(one.strikes, one.bands, one.campaign)
    places = table[table["mooring_id"].notna() & (table["abatement"] == CURTAIN)].set_index("mooring_id")
    for station in STATIONS:
        true = LOSS_DB[None] + (3.0 if station[0] == "N" else -3.0)
        assert places.loc[station, "insertion_loss_db"] == pytest.approx(true, abs=0.3)
        assert places.loc[station, "lower_95_db"] <= true <= places.loc[station, "upper_95_db"]


def test_sound_that_the_curtains_noise_hides_makes_the_loss_at_least() -> None:
    one = Invented(0, quiet=True)
    column, noise = exposure_column(band_number(1000.0)), noise_column(band_number(1000.0))
    abated = one.strikes["activity_id"].map({a.activity_id: a.abatement for a in one.campaign.activities}) != "none"
    one.bands = one.bands.copy()
    one.bands.loc[abated, noise] = 150.0
    one.bands.loc[abated, column] = 150.0 + margin_db(band_number(1000.0), 3.0)
    table = insertion_losses(one.strikes, one.bands, one.campaign, by_place=False)
    row = _all_places(table)[_all_places(table)["band_hz"] == 1000.0].iloc[0]
    assert row["censoring"] == "at_least"
    assert row["insertion_loss_db"] < LOSS_DB[1000.0]
    assert np.isnan(row["upper_95_db"])
    assert row["n_censored"] == row["n_strikes"]


def test_clipped_sound_without_the_curtain_makes_the_loss_at_least() -> None:
    one = Invented(0, quiet=True)
    plain = one.strikes["activity_id"].map({a.activity_id: a.abatement for a in one.campaign.activities}) == "none"
    one.strikes.loc[plain, "exposure_censoring"] = "at_least"
    one.strikes.loc[plain, "exposure_level_db"] -= 4.0
    row = _all_places(insertion_losses(one.strikes, one.bands, one.campaign, by_place=False)).iloc[0]
    assert row["censoring"] == "at_least"
    assert row["insertion_loss_db"] == pytest.approx(LOSS_DB[None] - 4.0, abs=0.3)


def test_one_pile_without_is_uncertain_by_what_piles_differ() -> None:
    one = Invented(0, soft_start_without=False, quiet=True)
    row = _all_places(insertion_losses(one.strikes, one.bands, one.campaign, by_place=False)).iloc[0]
    assert "one_reference_pile" in row["flags"]
    assert row["spread_between_piles_db"] >= 1.5
    assert row["standard_uncertainty_db"] >= 1.5


def test_where_all_piles_were_in_one_state_there_is_nothing_to_say() -> None:
    one = Invented(0, quiet=True)
    project = one.campaign.model_copy(update={"activities": ()})
    alike = project.model_copy(
        update={"piles": tuple(p.model_copy(update={"abatement": CURTAIN}) for p in project.piles)}
    )
    table = insertion_losses(one.strikes.drop(columns="activity_id"), one.bands, alike)
    assert table.empty
    assert tuple(table.columns) == INSERTION_LOSS.column_names


def test_the_interval_holds_the_truth_in_a_sample_of_campaigns() -> None:
    found = _coverage(range(24))
    print(found)
    assert (found["coverage"] >= 0.83).all()


def _said(found: pd.DataFrame) -> None:
    """The table, with what does not lie in the band; too wide an interval is said, one too narrow is a failure."""
    print(found.assign(reached=np.where(found["coverage"].between(0.92, 0.975), "reached", "not reached")))


@pytest.mark.long
def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    found = _coverage(range(1000, 2000))
    _said(found)
    assert (found["coverage"] >= 0.92).all()


@pytest.mark.long
def test_the_interval_holds_the_truth_where_one_pile_is_all_there_is_without() -> None:
    found = _coverage(range(2000, 2500), soft_start_without=False)
    _said(found)
    assert (found["coverage"] >= 0.92).all()
