"""What a command did."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class Outcome:
    """Lines to print, recordings that could not be used or not wholly (name: reason), and limits exceeded."""

    lines: list[str] = field(default_factory=list)
    unusable: dict[str, str] = field(default_factory=dict)
    over_limit: list[str] = field(default_factory=list)

    def then(self, later: Outcome) -> Outcome:
        """This outcome and a later one as one."""
        unusable = self.unusable | later.unusable
        return Outcome([*self.lines, *later.lines], unusable, [*self.over_limit, *later.over_limit])
