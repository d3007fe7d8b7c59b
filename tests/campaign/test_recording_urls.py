"""Which URLs a campaign may name, and that naming one reveals and reaches nothing else."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from reconcile.campaign import read_campaign, recording_urls, recordings_folder
from reconcile.campaign.recording_urls import fixed_part, url_needed, without_secrets
from reconcile.campaign.remote_files import RemoteFolder
from reconcile.vocabulary.errors import InputError

Change = Callable[[str, str, str], None]

REFUSED = [
    ("file:///etc/passwd", "local files are not reached by URL"),
    ("local:///etc/passwd", "local files are not reached by URL"),
    ("s3://bucket/a.zip::file:///etc/*", "not several in a chain"),
    ("zip://*.wav::s3://bucket/a.zip", "not several in a chain"),
    ("s3://bucket/https://example.org/a.wav", "not several in a chain"),
    ("zip://a.zip", "begins with one of s3://"),
    ("memory://a/*.wav", "begins with one of s3://"),
    ("S3://bucket/*.wav", "begins with one of s3://"),
    ("reference://x", "begins with one of s3://"),
    ("s3://key:secret@bucket/*.wav", "without user, password or account"),
    ("https://host/a.wav?token=secret", "without a query"),
    ("https://host/a.wav#part", "without a query"),
    ("s3:///a.wav", "a bucket"),
    ("s3://buck*/a.wav", "a bucket"),
    ("s3://bucket/../other/*.wav", "without . and .."),
    ("s3://bucket/a\\b.wav", "forward slashes"),
    ("s3://bucket/\x1b[31m.wav", "printable"),
    ("s3://bucket/" + "a" * 1000, "printable"),
]


@pytest.fixture
def all_libraries(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if every extra were installed."""
    monkeypatch.setattr(recording_urls, "find_spec", lambda name: name)


@pytest.mark.usefixtures("all_libraries")
@pytest.mark.parametrize(("url", "needed"), REFUSED)
def test_refused(url: str, needed: str) -> None:
    assert needed in url_needed(url)


@pytest.mark.usefixtures("all_libraries")
@pytest.mark.parametrize("protocol", ["s3", "gs", "gcs", "az", "abfs", "abfss", "https", "http"])
def test_read(protocol: str) -> None:
    assert url_needed(f"{protocol}://place/season 1/**/*.wav") == ""


@pytest.mark.parametrize(
    ("url", "command"),
    [
        ("s3://b/*.wav", 's3fs to be installed, which reads s3:// (pip install "reconcile[s3]")'),
        ("gs://b/*.wav", 'gcsfs to be installed, which reads gs:// (pip install "reconcile[gcs]")'),
        ("az://b/*.wav", 'adlfs to be installed, which reads az:// (pip install "reconcile[azure]")'),
        ("https://b/a.wav", 'aiohttp to be installed, which reads https:// (pip install "reconcile[https]")'),
    ],
)
def test_a_missing_extra_is_a_fault_with_the_command(
    url: str, command: str, folder: Path, change: Change, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording_urls, "find_spec", lambda name: name if name == "fsspec" else None)
    change("campaign.toml", "recordings/S750/*.wav", url)
    with pytest.raises(InputError) as caught:
        read_campaign(folder)
    (fault,) = caught.value.faults
    assert (fault.file, fault.where, fault.needed) == ("campaign.toml", "stations[0].recordings", command)


def test_both_libraries_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recording_urls, "find_spec", lambda name: None)
    assert url_needed("s3://b/*.wav").startswith("fsspec and s3fs to be installed")


@pytest.mark.parametrize("url", ["s3://somebody:secret@bucket/*.wav", "https://host/a.wav?X-Signature=secret"])
def test_a_secret_in_a_refused_url_is_not_repeated(url: str, folder: Path, change: Change) -> None:
    change("campaign.toml", "recordings/S750/*.wav", url)
    with pytest.raises(InputError) as caught:
        read_campaign(folder)
    assert "secret" not in str(caught.value)
    assert "..." in str(caught.value)
    with pytest.raises(InputError) as caught:
        recordings_folder(url)
    assert "secret" not in str(caught.value)


def test_a_glob_relative_to_a_url_stays_below_it(folder: Path, change: Change) -> None:
    change("campaign.toml", "recordings/S750/*.wav", "recordings/../../*.wav")
    with pytest.raises(InputError, match="stays in the folder"):
        read_campaign(folder, RemoteFolder("s3://bucket/season"))


def test_the_folder_of_recordings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recording_urls, "find_spec", lambda name: name)
    assert recordings_folder(str(tmp_path)) == tmp_path
    assert recordings_folder("s3://bucket/season/") == RemoteFolder("s3://bucket/season")
    for wrong in ("file:///tmp", "s3://bucket/*/season", "ftp://host/x"):
        with pytest.raises(InputError, match="--recordings"):
            recordings_folder(wrong)


def test_other_paths_are_no_urls(folder: Path, change: Change) -> None:
    change("campaign.toml", 'time_pattern = "S750', 'start_times = "s3://bucket/a.csv"\ntime_pattern = "S750')
    with pytest.raises(InputError, match=r"stations\[0\]\.start_times: .*not a URL"):
        read_campaign(folder)


def test_fixed_part_and_secrets() -> None:
    assert fixed_part("s3://b/a/[12]/*.wav") == "s3://b/a/"
    assert fixed_part("s3://b/a b*.wav") == "s3://b/"
    assert fixed_part("s3://b/a.wav") == "s3://b/a.wav"
    assert without_secrets("see https://a:b@host/x?key=1 there") == "see https://...@host/x?... there"
    assert without_secrets("recordings/a@b?.wav and s3://b/a?.wav") == "recordings/a@b?.wav and s3://b/a?.wav"


def test_a_campaign_on_disk_loads_no_library_for_urls(folder: Path) -> None:
    code = (
        "import sys\nfrom pathlib import Path\nimport reconcile.running.pipeline\n"
        "from reconcile.campaign import read_campaign\n"
        f"read_campaign(Path({str(folder)!r}))\n"
        "print(sorted({'fsspec', 's3fs', 'aiohttp', 'botocore'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
