"""The feed pusher written by hand, and the generated one held against it: the same behaviour, size and time.

python -m tests.benchmarks.yardstick
"""
