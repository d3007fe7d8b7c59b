"""What the project promises of itself: quick help, documented commands, examples, imports that follow the rooms."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
import typer.main

import reconcile
from reconcile import cli

COMMANDS = {  # of the contract, with the options that it names, as far as this version has them
    "new": set(),
    "check": set(),
    "run": {"--out", "--recordings", "--pile", "--workers", "--no-hash", "--fail-over-limit"},
    "demo": set(),
    "levels": {"--out", "--recordings", "--no-hash"},
    "fit": {"--levels", "--out", "--reference-range", "--robust"},
    "compare": set(),
    "limits": {"--campaign", "--fail-over-limit"},
    "record": {"--campaign"},
    "report": {"--csv", "--pdf", "--geopackage"},
    "pool": {"--out"},
    "forecast": {"--out", "--ranges"},
    "trace": {"--recordings", "--wav", "--figure"},
    "verify": {"--recordings"},
    "difference": set(),
    "strikes": set(),
    "review": {"--results", "--recordings", "--host", "--port", "--browser"},
}
GROUPS = {  # commands that hold others
    "strikes": {
        "list": {"--results", "--flag", "--station", "--pile", "--level-from", "--snr-to", "--doubtful", "--json"},
        "decide": {"--station", "--time", "--reason", "--who", "--new-time", "--results"},
    },
}
HEAVY = {"numpy", "scipy", "pandas", "matplotlib", "pyarrow", "soundfile"}


def loaded_by(*words: str) -> tuple[int, set[str]]:
    """Exit status, and which heavy libraries a command has loaded in a process of its own."""
    code = (
        "import json, sys\n"
        f"sys.argv = {['reconcile', *words]!r}\n"
        "from reconcile.cli import main\n"
        "status = 0\n"
        "try:\n    main()\nexcept SystemExit as end:\n    status = end.code or 0\n"
        "print(json.dumps([status, sorted({name.partition('.')[0] for name in sys.modules})]), file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    status, names = json.loads(done.stderr.splitlines()[-1])
    return int(status), HEAVY & set(names)


HELP = [["--help"], ["--version"], ["run", "--help"], ["strikes", "decide", "--help"], ["review", "--help"], ["fit"]]


@pytest.mark.parametrize("words", HELP, ids=" ".join)
def test_help_loads_nothing_heavy(words: list[str]) -> None:
    status, heavy = loaded_by(*words)
    assert status == (2 if words == ["fit"] else 0)
    if words != ["fit"]:
        assert heavy == set()


def test_the_version() -> None:
    done = subprocess.run([sys.executable, "-m", "reconcile", "--version"], capture_output=True, text=True, check=True)
    assert done.stdout == f"reconcile {reconcile.__version__}\n"


def test_documented_commands_and_options() -> None:
    command = typer.main.get_command(cli.app)
    assert set(command.commands) == set(COMMANDS)  # type: ignore[attr-defined]
    for name, options in COMMANDS.items():
        names = {word for option in command.commands[name].params for word in option.opts}  # type: ignore[attr-defined]
        assert options <= names, name


@pytest.mark.parametrize(("group", "name"), [(group, name) for group, names in GROUPS.items() for name in names])
def test_commands_of_groups(group: str, name: str) -> None:
    inner = typer.main.get_command(cli.app).commands[group]  # type: ignore[attr-defined]
    assert set(inner.commands) == set(GROUPS[group])
    command = inner.commands[name]
    assert GROUPS[group][name] <= {word for option in command.params for word in option.opts}
    text = command.get_help(typer.Context(command, info_name=f"reconcile {group} {name}"))
    assert f"\n  Example: reconcile {group} {name} " in text
    assert all(getattr(option, "help", None) for option in command.params)


@pytest.mark.parametrize("name", [name for name in COMMANDS if name not in GROUPS])
def test_every_help_has_an_example(name: str) -> None:
    command = typer.main.get_command(cli.app).commands[name]  # type: ignore[attr-defined]
    text = command.get_help(typer.Context(command, info_name=f"reconcile {name}"))
    assert f"\n  Example: reconcile {name} " in text
    assert all(getattr(option, "help", None) for option in command.params)


def test_packages_in_the_order_of_the_rooms() -> None:
    """No room imports one below it (a second, plain route beside the import linter's)."""
    order = [
        "vocabulary", "inference", "campaign", "recordings", "strikes", "spreading", "comparison", "transfer",
        "report", "review", "running", "audit", "cli",
    ]  # fmt: skip
    package = Path(reconcile.__file__).parent
    wrong = []
    for path in package.rglob("*.py"):
        room = path.relative_to(package).parts[0].removesuffix(".py")
        if room not in order:
            continue
        below = order[order.index(room) + 1 :]
        text = path.read_text(encoding="utf-8")
        wrong += [(path.name, other) for other in below if f"from reconcile.{other}" in text]
    assert wrong == []
