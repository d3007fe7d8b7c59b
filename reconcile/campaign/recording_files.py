"""Which recordings belong to a station. Their content is not opened here."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath

from reconcile.campaign.faults import Findings, plain, shown
from reconcile.vocabulary.documents.campaign import Campaign, Station


@dataclass(frozen=True, slots=True)
class Claim:
    """What a station claims: the channel, counted from 1, of all recordings that match a glob. `where` is its field."""

    where: str
    glob: str
    channel: int


def path_needed(text: str) -> str:
    """What a path or glob of the input must be, where this text is not one; else an empty string."""
    if not text or not text.isprintable() or len(text) > 1000:
        return "a path of printable characters"
    if "://" in text:
        return "a path in the folder (recordings are not read by URL in this version)"
    if "\\" in text:
        return "a path with forward slashes, relative to the folder"
    windows = PureWindowsPath(text)
    if PurePosixPath(text).is_absolute() or windows.drive or windows.root:
        return "a path relative to the folder"
    if ".." in PurePosixPath(text).parts:
        return "a path that stays in the folder"
    return ""


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


def recording_files(campaign: Campaign, station: Station | str, root: Path) -> tuple[Path, ...]:
    """The recordings of a station, sorted, each below `root`: the campaign folder, or that of `--recordings`.

    Only lists: what leaves the root through a link is left out (reading the campaign refuses it).
    """
    glob = (station if isinstance(station, Station) else campaign.station(station)).recordings
    inside, _ = expand(glob, root)
    return tuple(root / path for path in inside)


def check_claims(claims: Sequence[Claim], root: Path, file: str, findings: Findings) -> None:
    """Every glob matches a recording, inside the root, and no channel of a recording is claimed twice."""
    first: dict[tuple[Path, int], Claim] = {}
    shared: Counter[tuple[str, str]] = Counter()
    example: dict[tuple[str, str], str] = {}
    for claim in claims:
        for path in _claimed(claim, root, file, findings):
            holder = first.setdefault(((root / path).resolve(), claim.channel), claim)
            if holder is not claim:
                pair = (claim.where, holder.where)
                shared[pair] += 1
                example.setdefault(pair, f"channel {claim.channel} of {plain(path.as_posix())}")
    for (where, other), count in shared.items():
        found = example[where, other] + (f" and {count - 1} more" if count > 1 else "")
        findings.fault(file, where, f"{found}, claimed by {other} too", "each channel of a recording for one station")


def _claimed(claim: Claim, root: Path, file: str, findings: Findings) -> tuple[Path, ...]:
    try:
        inside, outside = expand(claim.glob, root)
    except ValueError:
        findings.fault(file, claim.where, shown(claim.glob), "a glob such as recordings/S750/*.wav")
        return ()
    for path in outside:
        found = f"{plain(path.as_posix())}, a link that leaves the folder"
        findings.fault(file, claim.where, found, "recordings inside the folder (or --recordings FOLDER)")
    if not inside and not outside:
        near = [path.name for path in (root / claim.glob).parent.glob("*")] if _plain_parent(claim.glob) else []
        hint = f"that folder holds {plain(min(near))}" if near else ""
        findings.fault(file, claim.where, f"no recording that matches {shown(claim.glob)}", "at least one", hint)
    return inside


def _plain_parent(glob: str) -> bool:
    """Whether only the last part of a glob has wildcards, so that the folder it means is known."""
    return not set("*?[") & set(str(PurePosixPath(glob).parent))
