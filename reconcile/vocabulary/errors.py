"""What can go wrong, and how it is said.

    ReconcileError
    ├── InputError      the input is wrong: nothing was computed (exit status 3)
    ├── ResultsError    a results folder lacks what a stage needs (exit status 3)
    └── MachineError    the machine refused: disk full, no permission (exit status 1)

An `InputError` carries every fault of the input at once; each `Fault` names the file, the line or field, what
was found and what is needed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong in the input.

    `where` is a field (`stations[2].channel`) or a line (`line 14, column range_m`); empty for a whole file.
    """

    file: str
    where: str
    found: str
    needed: str
    hint: str = ""

    def __str__(self) -> str:
        place = f"{self.file}, {self.where}" if self.where else self.file
        text = f"{place}: found {self.found}; needed: {self.needed}"
        return f"{text} ({self.hint})" if self.hint else text


class ReconcileError(Exception):
    """Base of all errors that this package raises on purpose."""


class InputError(ReconcileError):
    """The input cannot be used; `faults` lists all that was found wrong with it, in the order of reading."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(sorted(faults, key=_reading_order))
        super().__init__(self.faults)  # what an exception is rebuilt from when it comes out of another process

    def __str__(self) -> str:
        return "\n".join(str(fault) for fault in self.faults)


class ResultsError(InputError):
    """A results folder does not hold what a stage starts from."""


class MachineError(ReconcileError):
    """The machine refused a read or a write; `path` says where."""

    def __init__(self, path: str, reason: str) -> None:
        self.path = path
        self.reason = reason
        super().__init__(path, reason)

    def __str__(self) -> str:
        return f"{self.path}: {self.reason}"


def _reading_order(fault: Fault) -> tuple[object, ...]:
    """By file, then place, numbers within them as numbers: line 4 stands before line 10."""
    return tuple(_natural(text) for text in (fault.file, fault.where, fault.found, fault.needed))


def _natural(text: str) -> tuple[object, ...]:
    """Text and numbers by turns; a number as its count of digits and the digits."""
    parts = re.split(r"([0-9]+)", text)
    numbers = [(len(digits := part.lstrip("0")), digits) for part in parts[1::2]]
    return (parts[0], *(item for pair in zip(numbers, parts[2::2], strict=True) for item in pair))


def suggestion(word: str, known: Iterable[str], alike: float = 0.6) -> str:
    """A "did you mean" for a misspelt word, or an empty string. `alike`: how much so, from 0 to 1."""
    near = nearest(word, known, alike)
    return f"did you mean {near!r}?" if near else ""


def nearest(word: str, known: Iterable[str], alike: float = 0.6) -> str:
    """The known word that a misspelt one is nearest to, or an empty string."""
    near = get_close_matches(word, list(known), n=1, cutoff=alike)
    return near[0] if near else ""
