"""`reconcile review`: the page for looking at strikes."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from reconcile.terminal import say
from reconcile.vocabulary.errors import Fault, InputError

LIBRARIES = ("starlette", "uvicorn")


def review(
    campaign: Annotated[Path, typer.Argument(metavar="CAMPAIGN", help="Campaign folder with campaign.toml.")],
    results: Annotated[
        Path | None, typer.Option("--results", help="Results folder; CAMPAIGN/results if not given.")
    ] = None,
    recordings: Annotated[
        str | None, typer.Option("--recordings", help="Folder, or its URL, the stations' globs are relative to.")
    ] = None,
    host: Annotated[str, typer.Option("--host", help="Address to listen at; others than this reach the network.")] = (
        "127.0.0.1"
    ),
    port: Annotated[int | None, typer.Option("--port", min=1, max=65535, help="Port; a free one unless given.")] = None,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")] = True,
) -> None:
    """Look at strikes, listen, and decide, on a page of this machine.

    \b
    Example: reconcile review my_campaign
    """
    missing = [name for name in LIBRARIES if find_spec(name) is None]
    if missing:
        needed = 'what the page is served with: pip install "reconcile[review]"'
        raise InputError([Fault("reconcile review", "", f"no {' and no '.join(missing)}", needed)])

    from reconcile.campaign import recordings_folder
    from reconcile.review.serving import serve
    from reconcile.review.session import Review
    from reconcile.running.reviewing import make_envelopes, open_review

    elsewhere = None if recordings is None else recordings_folder(recordings)

    def opened() -> Review:
        found = open_review(campaign, results or campaign / "results", elsewhere)
        for _ in make_envelopes(found):
            pass
        return found

    for line in serve(opened(), opened, host=host, port=port, browser=browser):
        say(line)
