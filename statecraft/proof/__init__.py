"""A machine is judged: findings and verdicts (:mod:`statecraft.findings`), each with a run that shows it.

``prove`` is imported where it is used: :mod:`statecraft.proof.prove` brings the whole of it along.
"""
