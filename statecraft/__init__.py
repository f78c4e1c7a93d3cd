"""statecraft: the behaviour of a small machine as a state table, proved, rehearsed, and written out as firmware."""

__version__ = "0.1.0"
