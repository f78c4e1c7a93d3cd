"""A machine is judged: findings and verdicts, each with a run that shows it.

``prove`` is imported where it is used: :mod:`statecraft.proof.prove` brings the whole of it along.
"""

from statecraft.proof.finding import SEVERITY, Finding, Inputs, RowRef, Run, Severity, Stretch

__all__ = ["SEVERITY", "Finding", "Inputs", "RowRef", "Run", "Severity", "Stretch"]
