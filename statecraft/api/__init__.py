"""The library as people use it: :mod:`statecraft` gives its names. The command stands on the same functions."""
