"""What the verbs share that prove a machine before they do more with it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from statecraft.proof.judgement import PATIENCE

if TYPE_CHECKING:
    from statecraft.proof.prove import Report


def way_past(report: Report) -> str:
    """What helps where not everything is proved: more time does only where it ran out."""
    helps = "Give the proof more time (--seconds), make" if "time" in report.limits else "Make"
    return (
        f"What is not proved may hold or may not. {helps} the machine smaller, or go on all the same with "
        "--allow-unproved."
    )


allow_unproved = click.option(
    "--allow-unproved", is_flag=True, help="Go on although not everything is proved. The output still says so."
)

seconds_for_the_proof = click.option(
    "--seconds", metavar="N", type=click.FloatRange(min=0.1), default=PATIENCE, show_default=True,
    help="How long the proof may take.",
)  # fmt: skip
