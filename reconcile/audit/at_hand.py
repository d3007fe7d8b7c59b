"""What of a run is at hand beside its results: the campaign folder, and the recordings."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from reconcile.campaign import recordings_folder
from reconcile.campaign.recording_urls import is_url
from reconcile.campaign.remote_files import RemoteFolder, find_file
from reconcile.campaign.stored_files import RecordingsFolder, StoredFile
from reconcile.running.provenance import MANIFEST
from reconcile.running.store import read_document
from reconcile.vocabulary.documents.manifest import Manifest
from reconcile.vocabulary.errors import Fault, ResultsError

_CAMPAIGN_FILE = "campaign.toml"


@dataclass(frozen=True, slots=True)
class AtHand:
    """The campaign folder (None where it is not known) and where recordings are looked for, the first place first.

    `elsewhere` is the folder of recordings that lies apart from the campaign.
    """

    campaign: Path | None
    elsewhere: RecordingsFolder | None = None

    def input_file(self, name: str) -> StoredFile | None:
        """The file of an input as the manifest names it; None where it is not at hand."""
        if is_url(name):
            return find_file(name)
        if PurePosixPath(name).is_absolute() or ".." in PurePosixPath(name).parts:
            return None
        if isinstance(self.elsewhere, RemoteFolder) and (found := find_file(f"{self.elsewhere.url}/{name}")):
            return found
        roots = [root for root in (self.elsewhere, self.campaign) if isinstance(root, Path)]
        return next((root / name for root in roots if (root / name).is_file()), None)


def at_hand(results: Path, recordings: str | None, campaign: Path | None = None) -> AtHand:
    """What is at hand by the options of a command.

    `recordings` is the campaign folder, or a folder (or its URL) that holds the recordings alone; the campaign is then
    `campaign`, or the folder that the results lie in. Raises ResultsError where a folder is not there.
    """
    around = results.resolve().parent
    usual = around if (around / _CAMPAIGN_FILE).is_file() else None
    for folder in [campaign] if campaign is not None else []:
        _need(folder, folder / _CAMPAIGN_FILE, "a campaign folder with campaign.toml")
    if recordings is None:
        return AtHand(campaign or usual)
    if not is_url(recordings):
        folder = Path(recordings)
        _need(folder, folder, "the campaign's folder, or that of its recordings")
        if (folder / _CAMPAIGN_FILE).is_file() and campaign is None:
            return AtHand(folder)
    return AtHand(campaign or usual, recordings_folder(recordings))


def manifest_of(results: Path) -> Manifest:
    """The manifest of a results folder. Raises ResultsError where there is none."""
    return read_document(results / MANIFEST, Manifest, "levels")


def _need(folder: Path, there: Path, needed: str) -> None:
    if not there.exists():
        raise ResultsError([Fault(str(folder), "", "no such folder or file in it", needed)])
