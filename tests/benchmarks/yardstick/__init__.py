"""Machines written by hand, and the generated ones held against them: the same behaviour, size and time.

python -m tests.benchmarks.yardstick
"""
