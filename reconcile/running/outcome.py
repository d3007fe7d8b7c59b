"""What a command did."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class Outcome:
    """Lines to print, and recordings that could not be used or not wholly (name: reason)."""

    lines: list[str] = field(default_factory=list)
    unusable: dict[str, str] = field(default_factory=dict)

    def then(self, later: Outcome) -> Outcome:
        """This outcome and a later one as one."""
        return Outcome([*self.lines, *later.lines], self.unusable | later.unusable)
