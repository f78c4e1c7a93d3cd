"""A machine is judged: findings and verdicts, each with a run that shows it."""

from statecraft.proof.finding import SEVERITY, Finding, Inputs, RowRef, Run, Severity, Stretch

__all__ = ["SEVERITY", "Finding", "Inputs", "RowRef", "Run", "Severity", "Stretch"]
