"""The commands: parse, call, print, exit status. Heavy imports stand inside the commands, so that help is quick.

Exit status: 0 done; 1 a fault of the machine (the path is named) or of the program; 2 wrong usage; 3 the input is
wrong, nothing was computed; 4 done, but some recordings could not be used; 5 a measured level is above a limit, and
`--fail-over-limit` asked to be told, or `verify` or `difference` found something that differs; 130 interrupted.
"""

from __future__ import annotations

import os
import re
import sys
import traceback
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
import typer.core

import reconcile
from reconcile import review_command, strike_commands
from reconcile.running.garbage import collect_rarely
from reconcile.running.threads import one_thread_each
from reconcile.terminal import complain as _complain
from reconcile.terminal import say
from reconcile.vocabulary.errors import InputError, MachineError

if TYPE_CHECKING:
    from reconcile.audit.finding import AuditReport
    from reconcile.campaign.stored_files import RecordingsFolder
    from reconcile.running.outcome import Outcome

FAULT, INPUT_WRONG, SOME_UNUSABLE, OVER_LIMIT, INTERRUPTED = 1, 3, 4, 5, 130
DIFFERS = 5  # of verify and difference

TRACEBACK = "RECONCILE_TRACEBACK"  # set in the environment: the traceback of a fault of the program is shown


class _Commands(typer.core.TyperGroup):
    """The commands as one, which end with a word where they are interrupted."""

    def invoke(self, ctx: typer.Context) -> object:  # type: ignore[override]
        """Run the command that was asked for."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            _complain("Interrupted. What was finished is kept; the same command goes on from there.")
            raise typer.Exit(INTERRUPTED) from None


app = typer.Typer(
    add_completion=False,
    cls=_Commands,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="From recordings of foundation installation to the bias of the pre-construction prediction.",
)
app.add_typer(strike_commands.app, name="strikes")
app.command()(review_command.review)

CampaignFolder = Annotated[Path, typer.Argument(metavar="CAMPAIGN", help="Campaign folder with campaign.toml.")]
ResultsFolder = Annotated[Path, typer.Argument(metavar="RESULTS", help="Results folder of an earlier run.")]


def _on_disk(path: Path | None) -> Path | None:
    """Refuse a URL: as a path it would make folders named after it."""
    if path is not None and re.match(r"[a-z][a-z0-9+.-]+:/", str(path), re.IGNORECASE):
        raise typer.BadParameter("results are written to a disk; upload the finished folder (docs/remote.md)")
    return path


Out = Annotated[
    Path | None, typer.Option("--out", callback=_on_disk, help="Results folder; CAMPAIGN/results unless given.")
]
Recordings = Annotated[
    str | None, typer.Option("--recordings", help="Folder, or its URL, the stations' globs are relative to.")
]
Workers = Annotated[int | None, typer.Option("--workers", min=1, help="Processes; as many as processors unless given.")]
Scheduler = Annotated[
    str | None,
    typer.Option(
        "--scheduler",
        metavar="ADDRESS|FILE",
        help="Read recordings on the workers of this dask scheduler (docs/cluster.md).",
    ),
]
NoHash = Annotated[bool, typer.Option("--no-hash", help="Do not compute the checksums of the inputs.")]
Changed = Annotated[Path | None, typer.Option("--campaign", help="Read a changed campaign instead of the one kept.")]
AtHand = Annotated[
    str | None, typer.Option("--recordings", help="Campaign folder, or the folder or URL of the recordings alone.")
]
OfRun = Annotated[Path | None, typer.Option("--campaign", help="Campaign folder, where --recordings is not it.")]
FailOverLimit = Annotated[
    bool, typer.Option("--fail-over-limit", help="End with status 5 where a measured level is above a limit.")
]
ReferenceRange = Annotated[float, typer.Option("--reference-range", min=1.0, help="Reference range in metres.")]


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"reconcile {reconcile.__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


@app.command()
def new(folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder to make.")]) -> None:
    """Write a commented campaign to fill in.

    \b
    Example: reconcile new my_campaign
    """
    from reconcile.campaign import new_campaign

    for path in new_campaign(folder):
        typer.echo(path)


@app.command()
def check(campaign: CampaignFolder, recordings: Recordings = None) -> None:
    """Read and check everything, compute nothing.

    \b
    Example: reconcile check my_campaign
    """
    from reconcile.running import pipeline

    _report(pipeline.check(campaign, _elsewhere(recordings)))


@app.command()
def run(
    campaign: CampaignFolder,
    out: Out = None,
    recordings: Recordings = None,
    pile: Annotated[
        list[str] | None, typer.Option("--pile", help="Only this pile; may be given several times.")
    ] = None,
    workers: Workers = None,
    scheduler: Scheduler = None,
    no_hash: NoHash = False,
    fail_over_limit: FailOverLimit = False,
) -> None:
    """The whole job: levels, fit, compare, limits, report.

    \b
    Example: reconcile run sample_recordings
    """
    from reconcile.running import pipeline

    results = out or campaign / "results"
    _report(
        pipeline.run(
            campaign,
            results,
            recordings=_elsewhere(recordings),
            piles=pile or (),
            workers=workers,
            hashed=not no_hash,
            scheduler=scheduler,
        ),
        fail_over_limit,
    )


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder to write the campaign to.")],
    workers: Workers = None,
) -> None:
    """Write the demonstration campaign, an invented wind farm with known truth, and run it.

    \b
    Example: reconcile demo demo
    """
    from reconcile.running import pipeline

    _report(pipeline.demo(folder, workers=workers))


@app.command()
def levels(
    campaign: CampaignFolder,
    out: Out = None,
    recordings: Recordings = None,
    pile: Annotated[
        list[str] | None, typer.Option("--pile", help="Only this pile; may be given several times.")
    ] = None,
    workers: Workers = None,
    scheduler: Scheduler = None,
    no_hash: NoHash = False,
) -> None:
    """Recordings to levels of every strike, bands, background, exposure and summary: the stage that reads audio.

    \b
    Example: reconcile levels my_campaign --out results
    """
    from reconcile.running import pipeline

    results = out or campaign / "results"
    _report(
        pipeline.levels(
            campaign,
            results,
            recordings=_elsewhere(recordings),
            piles=pile or (),
            workers=workers,
            hashed=not no_hash,
            scheduler=scheduler,
        )
    )


@app.command()
def fit(
    results: Annotated[Path | None, typer.Argument(metavar="RESULTS", help="Results folder of an earlier run.")] = None,
    levels_table: Annotated[
        Path | None, typer.Option("--levels", metavar="TABLE.csv", help="Fit a table of ranges and levels alone.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", help="With --levels: where fit.json goes.")
    ] = None,
    campaign: Changed = None,
    reference_range: ReferenceRange = 750.0,
    robust: Annotated[
        bool, typer.Option("--robust", help="Student's t for what is left: a few places far off hardly move the law.")
    ] = False,
) -> None:
    """Level against range, from what is on disk, or from a table of levels alone.

    \b
    Example: reconcile fit results
    Example: reconcile fit --levels levels.csv --out fitted
    """
    from reconcile.running import pipeline

    if levels_table is not None and results is None and out is not None:
        _report(pipeline.fit_table(levels_table, out, reference_range, robust=robust))
    elif levels_table is None and results is not None and out is None:
        _report(pipeline.fit(results, campaign, reference_range, robust=robust))
    else:
        raise typer.BadParameter("give either RESULTS, or --levels TABLE.csv together with --out FOLDER")


@app.command()
def compare(results: ResultsFolder, campaign: Changed = None) -> None:
    """Predictions against measurements: comparison, bias, correction.

    \b
    Example: reconcile compare results
    """
    from reconcile.running import pipeline

    _report(pipeline.compare(results, campaign))


@app.command()
def limits(results: ResultsFolder, campaign: Changed = None, fail_over_limit: FailOverLimit = False) -> None:
    """Measured levels against the thresholds and limits that the campaign names.

    \b
    Example: reconcile limits results --campaign my_campaign
    """
    from reconcile.running import pipeline

    _report(pipeline.limits(results, campaign), fail_over_limit)


@app.command()
def record(results: ResultsFolder, campaign: Changed = None) -> None:
    """Insertion loss of abatements, and the sound field verification of each pile.

    \b
    Example: reconcile record results
    """
    from reconcile.running import pipeline

    _report(pipeline.record(results, campaign))


@app.command()
def report(
    results: ResultsFolder,
    csv: Annotated[bool, typer.Option("--csv", help="Write every table as CSV too, into RESULTS/csv.")] = False,
    pdf: Annotated[bool, typer.Option("--pdf", help="Write report.pdf too (needs the extra pdf).")] = False,
    geopackage: Annotated[
        bool, typer.Option("--geopackage", help="Write layers/layers.gpkg too (needs the extra gis).")
    ] = False,
) -> None:
    """The page, the workbook, map layers, figures, and the description of all columns.

    \b
    Example: reconcile report results
    """
    from reconcile.running import pipeline

    _report(pipeline.report(results, with_csv=csv, with_pdf=pdf, with_geopackage=geopackage))


@app.command()
def trace(
    results: ResultsFolder,
    strike_id: Annotated[str, typer.Argument(metavar="STRIKE_ID", help="A strike_id of strikes.parquet.")],
    recordings: AtHand = None,
    campaign: OfRun = None,
    station: Annotated[str | None, typer.Option("--station", help="Only this station.")] = None,
    wav: Annotated[
        Path | None, typer.Option("--wav", metavar="FILE", help="Cut the strike out, in pascals (float WAV).")
    ] = None,
    figure: Annotated[
        Path | None, typer.Option("--figure", metavar="FILE", help="Draw it: a file that ends with .svg, .png or .pdf.")
    ] = None,
) -> None:
    """One strike's way from its samples to the bias, at every station.

    \b
    Example: reconcile trace results P1-00007 --recordings my_campaign --figure strike.svg
    """
    from reconcile.audit.trace import trace as traced

    found = traced(
        results, strike_id, recordings=recordings, campaign=campaign, station=station, wav=wav, figure=figure
    )
    _audit(found)


@app.command()
def verify(results: ResultsFolder, recordings: AtHand = None, campaign: OfRun = None, workers: Workers = None) -> None:
    """Results against their manifest; with the recordings, everything computed again. Ends with 5 where it differs.

    \b
    Example: reconcile verify results --recordings my_campaign
    """
    from reconcile.audit.verify import verify as verified

    _audit(verified(results, recordings, campaign, workers))


@app.command()
def difference(
    first: Annotated[Path, typer.Argument(metavar="RESULTS_A", help="Results folder of one run.")],
    second: Annotated[Path, typer.Argument(metavar="RESULTS_B", help="Results folder of another run.")],
) -> None:
    """What changed between two runs, and why. Ends with 5 where something differs.

    \b
    Example: reconcile difference results_of_may results
    """
    from reconcile.audit.difference import difference as compared

    _audit(compared(first, second))


@app.command()
def pool(
    given: Annotated[
        list[Path], typer.Argument(metavar="RESULTS...", help="Results folders or correction files of projects.")
    ],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="File to write; its page goes beside it.")],
    model: Annotated[
        str | None, typer.Option("--model", metavar="MODEL_ID", help="Only corrections of this prediction method.")
    ] = None,
) -> None:
    """Several projects' corrections into one, and what they measured of each kind of foundation.

    \b
    Example: reconcile pool results_a results_b results_c --out pooled.json
    """
    from reconcile.running import transfer_stage

    _report(transfer_stage.pool(given, out, model))


@app.command()
def forecast(
    correction: Annotated[Path, typer.Argument(metavar="CORRECTION", help="Correction file or results folder.")],
    predictions: Annotated[Path, typer.Argument(metavar="PREDICTIONS.csv", help="The new project's predictions.")],
    out: Annotated[Path, typer.Option("--out", metavar="FOLDER", help="Where forecast.csv and its page go.")],
    ranges: Annotated[
        Path | None,
        typer.Option("--ranges", metavar="PREDICTED_RANGES.csv", help="Predicted distances to correct as well."),
    ] = None,
) -> None:
    """A new project's predictions with what earlier projects taught, and intervals that hold for a new project.

    \b
    Example: reconcile forecast pooled.json predictions.csv --out forecast --ranges predicted_ranges.csv
    """
    from reconcile.running import transfer_stage

    _report(transfer_stage.forecast(correction, predictions, out, ranges))


def _elsewhere(recordings: str | None) -> RecordingsFolder | None:
    """The folder or the URL that --recordings means."""
    from reconcile.campaign import recordings_folder

    return None if recordings is None else recordings_folder(recordings)


def _report(outcome: Outcome, fail_over_limit: bool = False) -> None:
    """Print what was done; end with 4 where recordings could not be used, with 5 where asked to over a limit."""
    for line in outcome.lines:
        say(line)
    for name, reason in sorted(outcome.unusable.items()):
        _complain(f"{name}: {reason}")
    if fail_over_limit and outcome.over_limit:
        for line in outcome.over_limit:
            _complain(f"Above a limit: {line}")
        raise typer.Exit(OVER_LIMIT)
    if outcome.unusable:
        raise typer.Exit(SOME_UNUSABLE)


def _audit(report: AuditReport) -> None:
    """Print what an audit found; end with 5 where something differs."""
    for line in report.lines:
        say(line)
    if report.differs:
        raise typer.Exit(DIFFERS)


def main() -> None:
    """Run the command line; faults become messages and an exit status."""
    one_thread_each()
    collect_rarely()
    try:
        app()
    except InputError as error:
        n = len(error.faults)
        _complain(f"The input cannot be used; {n} {'fault' if n == 1 else 'faults'}:")
        for fault in error.faults:
            _complain(str(fault))
        sys.exit(INPUT_WRONG)
    except MachineError as error:
        _complain(f"The machine refused: {error}")
        sys.exit(FAULT)
    except OSError as error:
        _complain(f"The machine refused: {error.filename or 'no path is known'}: {error.strerror or error}")
        _show_traceback()
        sys.exit(FAULT)
    except Exception as error:
        _complain(f"A fault of the program: {type(error).__name__}: {error}")
        _complain(f"Please report it; with {TRACEBACK}=1 in the environment the same command shows where it happened.")
        _show_traceback()
        sys.exit(FAULT)


def _show_traceback() -> None:
    if os.environ.get(TRACEBACK):
        traceback.print_exc()
