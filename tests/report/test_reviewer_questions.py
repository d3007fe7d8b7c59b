"""The ten questions: what the document names must exist, in the page and on the command line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer.main

from reconcile import cli
from reconcile.report.sections import _SECTIONS

TEXT = (Path(__file__).parents[2] / "docs" / "reviewer_questions.md").read_text(encoding="utf-8")
COMMANDS = re.findall(r"`reconcile ([^`]+)`", TEXT)


def test_ten_questions_each_with_an_answer() -> None:
    rows = re.findall(r"^\| (\d+) \| ([^|]+) \| ([^|]+) \|([^|]*)\|$", TEXT, re.MULTILINE)
    assert [int(row[0]) for row in rows] == list(range(1, 11))
    assert all("(`#" in row[2] or "`reconcile" in row[3] or "digests" in row[2] for row in rows)


def test_anchors_are_sections_of_the_page() -> None:
    named = set(re.findall(r"`#([a-z-]+)`", TEXT))
    assert len(named) > 12
    assert named <= {anchor for anchor, *_ in _SECTIONS}


@pytest.mark.parametrize("words", COMMANDS)
def test_commands_and_options_exist(words: str) -> None:
    command = typer.main.get_command(cli.app)
    parts = words.split()
    while parts and hasattr(command, "commands") and parts[0] in command.commands:
        command = command.commands[parts.pop(0)]
    assert command.params
    options = {option for parameter in command.params for option in parameter.opts}
    assert {word for word in parts if word.startswith("--")} <= options
