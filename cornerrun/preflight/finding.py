"""What preflight has found: one frozen record each."""

from dataclasses import dataclass
from typing import Literal

__all__ = ["Finding", "Severity", "Subject"]

Severity = Literal["error", "warning", "note"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Finding:
    """One thing that arithmetic on the plan shows.

    An "error" stops a run before the bench is touched. ``rail`` is empty where no single rail is meant. ``rule`` names
    what was looked at, ``numbers`` says it in figures, ``advice`` what to change. ``position`` is file:line:column
    where the plan's file says so, else the field.
    """

    severity: Severity
    rail: str
    rule: str
    numbers: str
    advice: str
    position: str

    def __str__(self) -> str:
        rail = f"{self.rail}: " if self.rail else ""
        return f"{self.position}: {self.severity}: {self.rule}: {rail}{self.numbers}; {self.advice}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Subject:
    """What a rule is looking at, so that it has only to say what is the matter."""

    rule: str
    position: str
    rail: str = ""

    def error(self, numbers: str, advice: str) -> Finding:
        """Say what stops a run."""
        return self.finding("error", numbers, advice)

    def warning(self, numbers: str, advice: str) -> Finding:
        """Say what is likely to go wrong."""
        return self.finding("warning", numbers, advice)

    def note(self, numbers: str, advice: str) -> Finding:
        """Say what a careful reader wants to know."""
        return self.finding("note", numbers, advice)

    def finding(self, severity: Severity, numbers: str, advice: str) -> Finding:
        """Say it with a severity worked out elsewhere."""
        return Finding(
            severity=severity,
            rail=self.rail,
            rule=self.rule,
            numbers=numbers,
            advice=advice,
            position=self.position,
        )
