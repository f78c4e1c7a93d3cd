"""``python -m statecraft``."""

from statecraft.cli import main

main()
