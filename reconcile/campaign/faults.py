"""Collects what is wrong in the input, so that all of it is said at once, and what is odd but loses nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from reconcile.campaign.recording_urls import without_secrets
from reconcile.vocabulary.errors import Fault, InputError

MAX_SHOWN = 80  # characters of a found value
LONGEST_ID = 100  # bytes: ids become part of file names
LINES_ONE_BY_ONE = 10  # faults of one column listed singly; the rest share one fault that names their lines


@dataclass(frozen=True, slots=True)
class CellFault:
    """What is wrong in one cell, or in one line, of a table."""

    line: int
    found: str
    needed: str
    hint: str = ""


@dataclass(slots=True)
class Findings:
    """Faults and notes gathered while the input is read."""

    faults: list[Fault] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def fault(self, file: str, where: str, found: str, needed: str, hint: str = "") -> None:
        """Add one fault."""
        self.faults.append(Fault(file, where, found, needed, hint))

    def cells(self, file: str, column: str, faults: Sequence[CellFault]) -> None:
        """Add the faults of one column, or of whole lines where `column` is empty.

        After the first ten the remaining lines are named together: a hammer log has 100,000 of them.
        """
        suffix = f", column {column}" if column else ""
        for cell in faults[:LINES_ONE_BY_ONE]:
            self.fault(file, f"line {cell.line}{suffix}", cell.found, cell.needed, cell.hint)
        rest = faults[LINES_ONE_BY_ONE:]
        if rest:
            where = f"lines {line_ranges([cell.line for cell in rest])}{suffix}"
            self.fault(file, where, f"{len(rest)} more like these, such as {rest[0].found}", rest[0].needed)

    def note(self, text: str) -> None:
        """Add an oddity that loses nothing; said once."""
        if text not in self.notes:
            self.notes.append(text)

    def raise_if_any(self) -> None:
        """Raise InputError with every fault found so far, if there are any."""
        if self.faults:
            raise InputError(set(self.faults))


def line_ranges(lines: Sequence[int]) -> str:
    """Line numbers in short: `3-7, 9`."""
    parts: list[list[int]] = []
    for line in sorted(lines):
        if parts and line == parts[-1][1] + 1:
            parts[-1][1] = line
        else:
            parts.append([line, line])
    return ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in parts)


def shown(value: object) -> str:
    """A found value as it may be printed: control characters escaped, length bounded."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    try:
        text = without_secrets(repr(value))
    except ValueError:  # an integer of thousands of digits
        return "a number of too many digits"
    return text if len(text) <= MAX_SHOWN else text[: MAX_SHOWN - 3] + "..."


def plain(text: str, longest: int = 200) -> str:
    """Free text as it may be printed: control characters replaced, length bounded."""
    safe = "".join(char if char.isprintable() else "?" for char in text)
    return safe if len(safe) <= longest else safe[: longest - 3] + "..."


def id_needed(text: str) -> str:
    """What an id must be, where this text is not one; else an empty string.

    Ids become part of file names, so they hold printable characters without path separators, 100 bytes at most.
    """
    if not text or text != text.strip():
        return "an id: some text, without spaces around it"
    if needed := name_needed(text):
        return needed
    if "/" in text or "\\" in text or text in {".", ".."}:
        return "an id without path separators (it becomes part of file names)"
    return ""


def name_needed(text: str) -> str:
    """What a name must be, where this text is not one: printable, 100 bytes at most; else an empty string."""
    if not text.isprintable():
        return "printable characters"
    return f"at most {LONGEST_ID} bytes" if len(text.encode()) > LONGEST_ID else ""
