"""`reconcile strikes`: looking at strikes and deciding about them without a screen."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from reconcile.terminal import say
from reconcile.vocabulary.errors import Fault, InputError

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Strikes listed, and decisions about them written, as on the review page.",
)

Campaign = Annotated[Path, typer.Argument(metavar="CAMPAIGN", help="Campaign folder with campaign.toml.")]
Results = Annotated[Path | None, typer.Option("--results", help="Results folder; CAMPAIGN/results unless given.")]


@app.command("list")
def list_(
    campaign: Campaign,
    results: Results = None,
    flag: Annotated[list[str] | None, typer.Option("--flag", help="With this flag; several: with any.")] = None,
    station: Annotated[list[str] | None, typer.Option("--station", help="Of this station; several: of any.")] = None,
    pile: Annotated[list[str] | None, typer.Option("--pile", help="Of this pile; several: of any.")] = None,
    level_from: Annotated[float | None, typer.Option("--level-from", help="Least exposure level (dB).")] = None,
    level_to: Annotated[float | None, typer.Option("--level-to", help="Largest exposure level (dB).")] = None,
    snr_from: Annotated[float | None, typer.Option("--snr-from", help="Least signal to noise (dB).")] = None,
    snr_to: Annotated[float | None, typer.Option("--snr-to", help="Largest signal to noise (dB).")] = None,
    doubtful: Annotated[bool, typer.Option("--doubtful", help="Only doubtful ones, the most doubtful first.")] = False,
    json: Annotated[bool, typer.Option("--json", help="One JSON object a line instead of CSV.")] = False,
) -> None:
    """List strikes, and pulses that a rule rejected, as CSV.

    \b
    Example: reconcile strikes list my_campaign --station S750 --doubtful
    """
    from reconcile.review.strike_list import Filters, lines
    from reconcile.running.deciding import list_strikes

    asked = Filters(
        flags=tuple(flag or ()),
        stations=tuple(station or ()),
        piles=tuple(pile or ()),
        level_from_db=level_from,
        level_to_db=level_to,
        snr_from_db=snr_from,
        snr_to_db=snr_to,
        doubtful=doubtful,
    )
    for line in lines(list_strikes(results or campaign / "results", asked), as_json=json):
        say(line)


@app.command()
def decide(
    campaign: Campaign,
    action: Annotated[
        str,
        typer.Argument(
            metavar="ACTION",
            help="reject, accept, add, exclude_from_statistics, unusable_from, unusable_to, move, undo or note.",
        ),
    ],
    station: Annotated[str, typer.Option("--station", metavar="ID", help="Station of the strike or stretch.")],
    time: Annotated[
        str, typer.Option("--time", metavar="UTC", help="The strike's time_utc, such as 2025-05-01T08:00:03.4Z.")
    ],
    reason: Annotated[str, typer.Option("--reason", help="Why; the text of a note.")],
    who: Annotated[str, typer.Option("--who", help="Who decides.")],
    new_time: Annotated[str | None, typer.Option("--new-time", metavar="UTC", help="Where move puts it.")] = None,
    results: Results = None,
) -> None:
    """Append a decision to CAMPAIGN/decisions.csv; the next run applies it.

    \b
    Example: reconcile strikes decide my_campaign reject --station S750 --time 2025-05-01T08:00:03.4Z
             --reason "chain" --who AB
    """
    from reconcile.review.decision_file import NewDecision
    from reconcile.running.deciding import decide as decided

    moment = _time("--time", time)
    moved = None if new_time is None else _time("--new-time", new_time)
    decision = NewDecision(who, station, moment, action, reason, moved)
    for line in decided(campaign, results or campaign / "results", decision).lines:
        say(line)


def _time(option: str, text: str) -> datetime:
    from reconcile.campaign.times import TIME_NEEDED, as_datetime, parse_utc, time_hint

    found = parse_utc([text])[0]
    if str(found) == "NaT":
        raise InputError([Fault("the decision", option, repr(text[:80]), TIME_NEEDED, time_hint(text))])
    return as_datetime(found)
