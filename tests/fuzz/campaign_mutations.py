"""Campaign folders with something wrong in them: a small good one, of which a few places are changed at random."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.small_campaign import write_small_campaign

Random = np.random.Generator
NUMBERS = (
    b"nan",
    b"inf",
    b"-inf",
    b"1e400",
    b"-1",
    b"0",
    b"",
    b"99999999999999999999",
    b"1e-320",
    b"0x10",
    b"1_0",
    b"1,5",
)
WORDS = (
    b"../../../outside.wav", b"/etc/passwd", b"file:///etc/passwd", b"s3://a:b@nowhere/*.wav",
    b"https://127.0.0.1:9/a.wav",
    b"=cmd|' /C calc'!A0", b"<script>alert(1)</script>", b"\x00", "☃".encode(), b"\xff\xfe", b"{{ 7*7 }}", b"%s%n",
    b"a" * 5000, b"**/**/**/**/*", b"[", b"P1", b"NEAR", b"2025-05-01T08:00:00Z", b"9999-12-31T23:59:59Z",
    b"0001-01-01T00:00:00Z",
)  # fmt: skip
EXTRA = {
    "decisions.csv": "decided_utc,who,station_id,time_utc,action,reason,new_time_utc\n"
    "2025-06-01T10:00:00Z,A. Person,NEAR,2025-05-01T08:00:03.4Z,reject,anchor chain,\n"
    "2025-06-01T10:01:00Z,A. Person,FAR,2025-05-02T09:00:05.0Z,note,looks odd,\n"
    "2025-06-01T10:02:00Z,A. Person,NEAR,2025-05-01T08:00:10Z,unusable_from,noise,\n"
    "2025-06-01T10:03:00Z,A. Person,NEAR,2025-05-01T08:00:11Z,unusable_to,noise,\n",
    "activities.csv": "activity_id,pile_id,installation_method,phase,abatement,start_utc,end_utc\n"
    "A1,P1,impact,full_drive,none,2025-05-01T08:00:00Z,2025-05-01T08:00:12Z\n",
    "deployments.csv": "station_id,mooring_id,system_id,channel,gain_db,latitude_deg,longitude_deg,"
    "position_uncertainty_m,hydrophone_depth_m,water_depth_m,from_utc,to_utc,clock_offset_s,clock_drift_ppm\n"
    "FAR,M2,one_number,1,,,,,,,2025-05-01T00:00:00Z,,,\n",
    "predicted_ranges.csv": "prediction_id,quantity,weighting,threshold_db,range_m\nES1,exposure_level,none,160,900\n",
}


def write_good_campaign(folder: Path) -> None:
    """The campaign that mutations start from: two piles, two stations, seven tables, four recordings of 12 s."""
    write_small_campaign(folder, files=1, file_s=12.0, predictions=True)
    for name, text in EXTRA.items():
        (folder / name).write_text(text, encoding="utf-8")


def mutate(good: Path, folder: Path, seed: int) -> list[str]:
    """Copy a campaign with one to three things changed; says which. The same seed gives the same folder."""
    random = np.random.default_rng(seed)
    shutil.copytree(good, folder)
    done = []
    for _ in range(int(random.integers(1, 4))):
        texts = sorted([*folder.glob("*.csv"), *folder.glob("*.toml")])
        sounds = sorted(folder.glob("recordings/*/*.wav"))
        among, ways = (texts, TEXT_WAYS) if random.random() < 0.7 or not sounds else (sounds, SOUND_WAYS)
        way = ways[int(random.integers(len(ways)))]
        if among:
            path = among[int(random.integers(len(among)))]
            if path.is_file() and not path.is_symlink():
                way(path, random)
                done.append(f"{way.__name__.strip('_')} {path.name}")
    return done


def _on_bytes(change: Callable[[bytearray, Random], bytes]) -> Callable[[Path, Random], None]:
    def way(path: Path, random: Random) -> None:
        path.write_bytes(change(bytearray(path.read_bytes()), random))

    way.__name__ = change.__name__
    return way


def _flip(content: bytearray, random: Random) -> bytes:
    for _ in range(int(random.integers(1, 4))):
        if content:
            content[int(random.integers(len(content)))] ^= 1 << int(random.integers(8))
    return bytes(content)


def _flip_head(content: bytearray, random: Random) -> bytes:
    content[int(random.integers(min(len(content), 60) or 1)) : 0] = b""
    head = _flip(bytearray(content[:60]), random)
    return head + bytes(content[60:])


def _cut(content: bytearray, random: Random) -> bytes:
    return bytes(content[: int(random.integers(len(content) + 1))])


def _delete(content: bytearray, random: Random) -> bytes:
    at = int(random.integers(len(content) + 1))
    del content[at : at + int(random.integers(1, 200))]
    return bytes(content)


def _append(content: bytearray, random: Random) -> bytes:
    return bytes(content) + random.bytes(int(random.integers(1, 3000)))


def _insert(content: bytearray, random: Random) -> bytes:
    at = int(random.integers(len(content) + 1))
    return bytes(content[:at]) + random.bytes(int(random.integers(1, 20))) + bytes(content[at:])


def _loud(content: bytearray, random: Random) -> bytes:
    at = 44 + 2 * int(random.integers(40_000))
    content[at : at + 16_000] = b"\xff\x7f" * 8_000
    return bytes(content)


def _float_header(content: bytearray, random: Random) -> bytes:
    """The samples taken for 32-bit floats: huge, tiny, not finite."""
    content[20:22], content[32:34], content[34:36] = b"\x03\x00", b"\x04\x00", b"\x20\x00"
    return bytes(content)


def _lines(content: bytearray, random: Random) -> bytes:
    lines = bytes(content).splitlines(keepends=True)
    if len(lines) > 1:
        i, j = (int(k) for k in random.integers(len(lines), size=2))
        way = int(random.integers(3))
        if way == 0:
            lines[i], lines[j] = lines[j], lines[i]
        elif way == 1:
            lines.insert(j, lines[i])
        else:
            del lines[i]
    return b"".join(lines)


def _replace(pattern: bytes, by: tuple[bytes, ...]) -> Callable[[bytearray, Random], bytes]:
    def change(content: bytearray, random: Random) -> bytes:
        places = list(re.finditer(pattern, bytes(content)))
        if not places:
            return bytes(content)
        start, end = places[int(random.integers(len(places)))].span()
        return bytes(content[:start]) + by[int(random.integers(len(by)))] + bytes(content[end:])

    return change


def _number(content: bytearray, random: Random) -> bytes:
    return _replace(rb"-?\d+(\.\d+)?", NUMBERS)(content, random)


def _word(content: bytearray, random: Random) -> bytes:
    return _replace(rb"[A-Za-z_/*%.]{2,}", WORDS)(content, random)


def _cell(content: bytearray, random: Random) -> bytes:
    return _replace(rb"(?<=,)[^,\n]*|(?<= = )[^\n]*", WORDS + NUMBERS)(content, random)


def _encoding(content: bytearray, random: Random) -> bytes:
    text = bytes(content).decode("utf-8", "replace")
    ways = (
        text.encode("utf-16"),
        b"\xef\xbb\xbf" + text.encode(),
        text.replace("\n", "\r\n").encode(),
        text.replace(",", ";").encode(),
    )
    return ways[int(random.integers(len(ways)))]


def _gone(path: Path, random: Random) -> None:
    path.unlink()


def _folder(path: Path, random: Random) -> None:
    path.unlink()
    path.mkdir()


def _link_out(path: Path, random: Random) -> None:
    path.unlink()
    path.symlink_to(("/etc/passwd", "/dev/zero", path, "/nowhere")[int(random.integers(4))])


def _pipe(path: Path, random: Random) -> None:
    path.unlink()
    os.mkfifo(path)


_ON_TEXT = (
    _flip,
    _cut,
    _delete,
    _append,
    _insert,
    _lines,
    _lines,
    _number,
    _number,
    _word,
    _word,
    _cell,
    _cell,
    _encoding,
)
_ON_SOUND = (_flip, _flip_head, _flip_head, _flip_head, _cut, _delete, _append, _insert, _loud, _float_header)
TEXT_WAYS = (*map(_on_bytes, _ON_TEXT), _gone, _folder, _link_out, _pipe)
SOUND_WAYS = (*map(_on_bytes, _ON_SOUND), _gone, _folder, _link_out, _pipe)
