"""Progress on a terminal: files, hours, time left; nothing elsewhere."""

from __future__ import annotations

import io
import sys

import pytest

from reconcile.running.progress import Amount, duration, shown, shown_hours


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_hours_and_files_are_counted_on_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = _Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    parts = [Amount(1, 0.5), Amount(0, 1.0), Amount(2, 0.5)]
    assert list(shown_hours(parts, lambda part: part, Amount(3, 2.0), "recordings")) == parts
    assert "recordings: 2.0 of 2.0 h, 3 of 3 files, about 0 s left" in terminal.getvalue()


def test_nothing_is_written_elsewhere(capsys: pytest.CaptureFixture[str]) -> None:
    assert list(shown([1, 2], 2, "checksums", "files")) == [1, 2]
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize(("seconds", "text"), [(40.4, "40 s"), (720.0, "12 min"), (12600.0, "3.5 h")])
def test_times_as_a_person_says_them(seconds: float, text: str) -> None:
    assert duration(seconds) == text
