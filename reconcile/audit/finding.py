"""What an audit says: lines to print, and whether anything differs."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class AuditReport:
    """Lines in order of importance; `n_differences` counts what differs."""

    lines: list[str] = field(default_factory=list)
    n_differences: int = 0

    @property
    def differs(self) -> bool:
        """Whether anything differs."""
        return self.n_differences > 0

    def differing(self, line: str) -> None:
        """Say something that differs."""
        self.lines.append(line)
        self.n_differences += 1
