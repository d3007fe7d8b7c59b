"""The command line, run in the test's own process."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import NamedTuple

import pytest

from reconcile import cli


class Ended(NamedTuple):
    """How a command ended."""

    status: int
    out: str
    err: str


Command = Callable[..., Ended]


@pytest.fixture
def reconcile(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    """Runs the command line in this process."""

    def call(*words: object) -> Ended:
        monkeypatch.setattr(sys, "argv", ["reconcile", *map(str, words)])
        status = 0
        try:
            cli.main()
        except SystemExit as end:
            status = int(end.code or 0)
        return Ended(status, *capsys.readouterr())

    return call
