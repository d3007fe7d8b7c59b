"""The order of the page: what was found, the evidence, how it was measured, what was left out, how it was done."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

Contents = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Section:
    """A section of the page: its anchor, its title in the list of contents, its template."""

    anchor: str
    title: str
    template: str


def _always(_: Contents) -> bool:
    return True


def _chosen(name: str) -> Callable[[Contents], bool]:
    """There where a choice has something to choose from."""
    return lambda contents: bool(contents[name].options)


def _filled(name: str) -> Callable[[Contents], bool]:
    """There where a table has rows."""
    return lambda contents: contents[name] is not None and not contents[name].empty


def _given(name: str) -> Callable[[Contents], bool]:
    return lambda contents: bool(contents[name])


def _continuous(contents: Contents) -> bool:
    choices = ("continuous_tables", "surroundings", "kurtosis_tables")
    return bool(contents["continuous"]) or any(contents[name].options for name in choices)


_SECTIONS: tuple[tuple[str, str, Callable[[Contents], bool]], ...] = (
    ("finding", "Findings", lambda contents: bool(contents["in_short"]) or contents["has_predictions"]),
    ("bias", "Bias by station and range", _chosen("bias_figures")),
    ("level-range", "Level against range", _always),
    ("distances", "Distances to levels", _given("distance_table")),
    ("map", "Maps", _given("maps")),
    ("causes", "Where the difference comes from", _chosen("split_figures")),
    ("claimed", "Claimed uncertainty", _filled("claimed_table")),
    ("levels", "Levels of each pile", _always),
    ("phases", "Phases of each pile", _chosen("phases")),
    ("limits", "Limits and thresholds", _given("has_limits")),
    ("insertion-loss", "Insertion loss", _filled("losses")),
    ("spectra", "Spectra", _always),
    ("time", "Time history", _always),
    ("cumulative", "Cumulative exposure", _always),
    ("continuous", "Continuous sound", _continuous),
    ("blows", "Blows: logged and heard", _filled("blow_counts")),
    ("chain", "How it was measured", _always),
    ("uncertainty", "Uncertainty budget", _filled("budget")),
    ("left-out", "What was left out", _always),
    ("settings", "Settings and software", _always),
    ("method", "Method and references", _always),
    ("cautions", "Cautions", _always),
)


def sections(contents: Contents) -> tuple[Section, ...]:
    """The sections that there is something for, in order."""
    return tuple(
        Section(anchor, title, f"{anchor.replace('-', '_')}.html.j2")
        for anchor, title, there in _SECTIONS
        if there(contents)
    )
