"""Which recordings belong to a station. Their content is not opened here."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath, PureWindowsPath

from reconcile.campaign.faults import Findings, plain, shown
from reconcile.campaign.recording_urls import fixed_part, is_url, url_needed
from reconcile.campaign.remote_files import RemoteFolder, find_file, list_files
from reconcile.campaign.stored_files import RecordingsFolder, StoredFile, key
from reconcile.campaign.times import epoch_us
from reconcile.vocabulary.documents.campaign import Campaign, Deployment, Station
from reconcile.vocabulary.errors import Fault, InputError

_ALWAYS_US = (-(2**63), 2**63)


@dataclass(frozen=True, slots=True)
class ClaimSpan:
    """A channel that a station records from `start_us` until before `end_us`, by a deployment or of itself."""

    channel: int
    start_us: int
    end_us: int
    deployed: bool


@dataclass(frozen=True, slots=True)
class Claim:
    """What a station claims: the channel, counted from 1, of all recordings that match a glob. `where` is its field.

    `spans` say at which times it is which channel; together they cover all time.
    """

    where: str
    glob: str
    channel: int
    station_id: str = ""
    spans: tuple[ClaimSpan, ...] = ()  # filled by claims_in_time


def path_needed(text: str) -> str:
    """What a path or glob of the input must be, where this text is not one; else an empty string."""
    if not text or not text.isprintable() or len(text) > 1000:
        return "a path of printable characters"
    if is_url(text):
        return "a path in the folder, not a URL"
    if "\\" in text:
        return "a path with forward slashes, relative to the folder"
    windows = PureWindowsPath(text)
    if PurePosixPath(text).is_absolute() or windows.drive or windows.root:
        return "a path relative to the folder"
    if ".." in PurePosixPath(text).parts:
        return "a path that stays in the folder"
    return ""


def recording_needed(text: str) -> str:
    """What the path, the URL or the glob of recordings must be, where this text is not one; else an empty string."""
    return url_needed(text) if is_url(text) else path_needed(text)


def recordings_folder(text: str) -> RecordingsFolder:
    """The folder or the URL that a text means. Raises InputError where recordings cannot be read by such a URL."""
    if not is_url(text):
        return Path(text)
    needed = url_needed(text) or ("a URL without wildcards" if fixed_part(text) != text else "")
    if needed:
        raise InputError([Fault("--recordings", "", shown(text), needed)])
    return RemoteFolder(text.rstrip("/"))


def expand(pattern: str, root: Path) -> tuple[tuple[Path, ...], tuple[Path, ...]]:
    """Files that match a glob: those inside the root, and those that a link leads out of it, each sorted.

    Paths are relative to the root. Hidden files are left out, as a shell does. Raises ValueError where the pattern
    is not a glob.
    """
    try:
        found = sorted(path for path in root.glob(pattern) if path.is_file())
    except (NotImplementedError, IndexError, OSError, re.error) as error:
        raise ValueError(f"{pattern!r} is not a glob") from error
    base = root.resolve()
    inside: list[Path] = []
    outside: list[Path] = []
    for path in found:
        relative = path.relative_to(root)
        if not any(part.startswith(".") for part in relative.parts):
            (inside if path.resolve().is_relative_to(base) else outside).append(relative)
    return tuple(inside), tuple(outside)


def recording_files(campaign: Campaign, station: Station | str, root: RecordingsFolder) -> tuple[StoredFile, ...]:
    """The recordings of a station, sorted, each below `root`: the campaign folder, or that of `--recordings`.

    Those of a glob URL lie where it says. Only lists: what leaves the root through a link is left out (reading the
    campaign refuses it).
    """
    glob = (station if isinstance(station, Station) else campaign.station(station)).recordings
    return _files(glob, root)[0]


def _files(glob: str, root: RecordingsFolder) -> tuple[tuple[StoredFile, ...], tuple[StoredFile, ...]]:
    """Files that match a path's or a URL's glob: those inside the root, and those that a link leads out of it."""
    if is_url(glob):
        return list_files(glob), ()
    if isinstance(root, RemoteFolder):
        return list_files(f"{root.url}/{PurePosixPath(glob)}", root), ()
    inside, outside = expand(glob, root)
    return tuple(root / path for path in inside), tuple(root / path for path in outside)


def check_file(name: str, roots: Sequence[RecordingsFolder]) -> StoredFile | None:
    """The recording of a field check: at its URL, or the first below a root and not led out of it by a link."""
    if is_url(name):
        return find_file(name)
    for root in roots:
        if isinstance(root, RemoteFolder):
            found = find_file(f"{root.url}/{PurePosixPath(name)}", root)
            if found is not None:
                return found
        elif (root / name).resolve().is_relative_to(root.resolve()) and (root / name).is_file():
            return root / name
    return None


def claims_in_time(
    claims: Sequence[Claim], stations: Sequence[Station], deployments: Sequence[Deployment]
) -> tuple[Claim, ...]:
    """The claims with the times at which deployments make them."""
    own_channel = {station.id: station.channel for station in stations}

    def spans(claim: Claim) -> Iterator[ClaimSpan]:
        at, end = _ALWAYS_US
        own = own_channel.get(claim.station_id, claim.channel)
        for row in (row for row in deployments if row.station_id == claim.station_id):
            start, until = epoch_us(row.from_utc), end if row.to_utc is None else epoch_us(row.to_utc)
            if start > at:
                yield ClaimSpan(own, at, start, deployed=False)
            yield ClaimSpan(own if row.channel is None else row.channel, start, until, deployed=True)
            at = until
        if at < end:
            yield ClaimSpan(own, at, end, deployed=False)

    return tuple(replace(claim, spans=tuple(spans(claim))) for claim in claims)


def check_claims(claims: Sequence[Claim], root: RecordingsFolder, file: str, findings: Findings) -> frozenset[str]:
    """Every glob matches a recording, inside the root, and no channel of a recording is claimed twice at a time.

    Returns the stations that share a channel in turn, each within its own deployments only.
    """
    holders: dict[str, list[Claim]] = defaultdict(list)
    shared: Counter[tuple[str, str]] = Counter()
    example: dict[tuple[str, str], str] = {}
    in_turn: set[str] = set()
    for claim in claims:
        for path in _claimed(claim, root, file, findings):
            earlier = holders[key(path)]
            for holder in earlier:
                if _both_claim(claim, holder) is None:
                    continue
                channel = _both_claim(_deployed_only(claim), _deployed_only(holder))
                if channel is None:
                    in_turn |= {claim.station_id, holder.station_id}
                    continue
                pair = (claim.where, holder.where)
                shared[pair] += 1
                example.setdefault(pair, f"channel {channel} of {_name(path, root)}")
            earlier.append(claim)
    for (where, other), count in shared.items():
        found = example[where, other] + (f" and {count - 1} more" if count > 1 else "")
        needed = "each channel of a recording for one station (or parted in time by deployments.csv)"
        findings.fault(file, where, f"{found}, claimed by {other} too", needed)
    return frozenset(in_turn)


def _deployed_only(claim: Claim) -> Claim:
    """What a station claims by its deployments; all that it claims where it has none."""
    deployed = tuple(span for span in claim.spans if span.deployed)
    return replace(claim, spans=deployed or claim.spans)


def _both_claim(one: Claim, other: Claim) -> int | None:
    """A channel that two stations claim of the same recording at the same time; None where there is none."""
    for a in one.spans:
        for b in other.spans:
            if a.channel == b.channel and a.start_us < b.end_us and b.start_us < a.end_us:
                return a.channel
    return None


def _claimed(claim: Claim, root: RecordingsFolder, file: str, findings: Findings) -> tuple[StoredFile, ...]:
    try:
        inside, outside = _files(claim.glob, root)
    except ValueError:
        findings.fault(file, claim.where, shown(claim.glob), "a glob such as recordings/S750/*.wav")
        return ()
    except InputError as error:
        for fault in error.faults:
            findings.fault(file, claim.where, f"{fault.file}: {fault.found}", fault.needed)
        return ()
    if outside:
        found = f"{_name(outside[0], root)}, a link that leaves the folder"
        if len(outside) > 1:
            found = f"{len(outside)} recordings: links that leave the folder; first: {_name(outside[0], root)}"
        findings.fault(file, claim.where, found, "recordings inside the folder (or --recordings FOLDER)")
    if not inside and not outside:
        hint = _near(claim.glob, root)
        findings.fault(file, claim.where, f"no recording that matches {shown(claim.glob)}", "at least one", hint)
    return inside


def _name(file: StoredFile, root: RecordingsFolder) -> str:
    """What a file is called, as it may be printed."""
    return plain(file.relative_to(root).as_posix() if isinstance(file, Path) and isinstance(root, Path) else file.name)


def _near(glob: str, root: RecordingsFolder) -> str:
    """What lies in the folder in which a glob on a disk finds nothing."""
    if is_url(glob) or isinstance(root, RemoteFolder) or not _plain_parent(glob):
        return ""
    near = [path.name for path in (root / glob).parent.glob("*")]
    return f"that folder holds {plain(min(near))}" if near else ""


def _plain_parent(glob: str) -> bool:
    """Whether only the last part of a glob has wildcards, so that the folder it means is known."""
    return not set("*?[") & set(str(PurePosixPath(glob).parent))
