"""A results folder opened for the review: tables, streams, and the energies that its parts hold."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path

from reconcile.campaign.stored_files import RecordingsFolder
from reconcile.recordings.sensitivity_path import sensitivity_paths, station_spans
from reconcile.recordings.streams import Stream
from reconcile.review.envelopes import Envelopes, StationEnvelopes
from reconcile.review.session import Review
from reconcile.running import provenance
from reconcile.running.deciding import listed_strikes
from reconcile.running.levels_stage import CAMPAIGN, PARTS, usable_recordings
from reconcile.running.progress import shown
from reconcile.running.resume import PartStore, part_key
from reconcile.running.store import read_document
from reconcile.strikes.second_look import Listener
from reconcile.strikes.stream_analysis import part_starts
from reconcile.vocabulary.documents.campaign import Campaign


def open_review(folder: Path, results: Path, recordings: RecordingsFolder | None = None) -> Review:
    """Open the results of a campaign; the overview's envelopes that are missing are not made yet (`make_envelopes`).

    Parts that are gone (RESULTS/parts may be deleted) leave holes in the overview until the next run. Raises
    ResultsError where the folder holds no levels, InputError where no recording can be used.
    """
    campaign = read_document(results / CAMPAIGN, Campaign, "levels")
    manifest = provenance.read_manifest(results)
    inventory = usable_recordings(campaign, recordings or folder)
    store = PartStore(results / PARTS)
    stations = [station for stream in inventory.streams for station in _stations(stream, campaign, store)]
    paths, _ = sensitivity_paths(manifest.field_checks, campaign.settings, station_spans(inventory.streams))
    return Review(
        folder=folder,
        campaign=campaign,
        table=listed_strikes(results),
        listeners=[station.listener for station in stations],
        envelopes=Envelopes(stations),
        paths=paths,
        n_applied=len(manifest.decisions),
    )


def make_envelopes(review: Review) -> Iterator[int]:
    """Make the envelopes that are missing, with a progress line; what was made before is kept."""
    yield from shown(review.envelopes.make(), review.envelopes.n_missing, "overview", "parts")


def _stations(stream: Stream, campaign: Campaign, store: PartStore) -> Iterator[StationEnvelopes]:
    keys = {first: part_key(stream, campaign.settings, first) for first in part_starts(stream)}
    there = {first: key for first, key in keys.items() if store.has(key)}
    for number, channel in enumerate(stream.channels):
        parts = {first: partial(store.energies, key, number) for first, key in there.items()}
        files = {first: store.folder / key / f"{number}.envelope.npy" for first, key in there.items()}
        yield StationEnvelopes(Listener(stream, channel, parts), files)
