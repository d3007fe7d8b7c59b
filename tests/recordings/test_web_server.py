"""Recordings on a web server: ranges are asked for, and nothing elsewhere."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import numpy as np
import pytest
import soundfile

pytest.importorskip("aiohttp")
pytest.importorskip("fsspec")

from reconcile.campaign.remote_files import find_file, list_files
from reconcile.recordings.wav import UnusableRecordingError, decoder, open_recording
from reconcile.vocabulary.errors import InputError


class _Ranges(SimpleHTTPRequestHandler):
    """Serves ranges of files, and sends /moved.wav on to another file."""

    sent = 0

    def do_GET(self) -> None:
        wanted = re.fullmatch(r"bytes=(\d+)-(\d+)", self.headers.get("Range", ""))
        if self.path == "/moved.wav":
            self._move()
        elif wanted is None:
            super().do_GET()
        else:
            content = Path(self.translate_path(self.path)).read_bytes()
            first, last = int(wanted[1]), min(int(wanted[2]), len(content) - 1)
            self.send_response(206)
            self.send_header("Content-Range", f"bytes {first}-{last}/{len(content)}")
            self.send_header("Content-Length", str(last + 1 - first))
            self.end_headers()
            self.wfile.write(content[first : last + 1])
            type(self).sent += last + 1 - first

    def do_HEAD(self) -> None:
        if self.path == "/moved.wav":
            self._move()
        else:
            super().do_HEAD()

    def _move(self) -> None:
        self.send_response(302)
        self.send_header("Location", "/a.wav")
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, *_: object) -> None:
        pass


@contextmanager
def web_server(folder: Path) -> Iterator[str]:
    """A server of a folder's files, on loopback."""
    with ThreadingHTTPServer(("127.0.0.1", 0), partial(_Ranges, directory=str(folder))) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}"
        server.shutdown()
        thread.join()


@pytest.fixture
def url(tmp_path: Path) -> Iterator[str]:
    for name in ("a.wav", "b.wav"):
        soundfile.write(tmp_path / name, np.linspace(-0.5, 0.5, 200_000), 48_000, subtype="PCM_24")
    with web_server(tmp_path) as address:
        yield address


def test_a_recording_in_ranges(url: str, tmp_path: Path) -> None:
    (file,) = list_files(f"{url}/a.wav")
    recording = open_recording(file, file.name)
    _Ranges.sent = 0
    heard = np.empty((1, recording.n_frames), dtype=np.float32)
    with decoder(recording, [0]) as source:
        assert source.read(0, heard) == 200_000
    np.testing.assert_array_equal(heard[0], soundfile.read(tmp_path / "a.wav", dtype="float32")[0])
    assert _Ranges.sent <= 1.05 * file.size_bytes
    assert (file.name, file.stem) == (f"{url}/a.wav", "a")


def test_a_listing_and_what_is_not_there(url: str) -> None:
    assert [file.stem for file in list_files(f"{url}/*.wav")] == ["a", "b"]
    assert list_files(f"{url}/*.flac") == ()
    assert find_file(f"{url}/c.wav") is None
    with pytest.raises(InputError, match="it is not there"):
        list_files(f"{url}/nowhere/*.wav")


def test_a_server_cannot_send_it_elsewhere(url: str) -> None:
    (file,) = list_files(f"{url}/moved.wav")
    with pytest.raises(UnusableRecordingError, match="an empty file"):
        open_recording(file, file.name)
