"""What is said on a terminal: one line at a time, and no control character of somebody's file among it."""

from __future__ import annotations

import typer


def say(text: str) -> None:
    """A line on standard output."""
    typer.echo(printable(text))


def complain(text: str) -> None:
    """A line on standard error."""
    typer.echo(printable(text), err=True)


def printable(text: str) -> str:
    """One line as a terminal may be given it: names from the input may hold control characters."""
    return "".join(char if char.isprintable() else "?" for char in text)
