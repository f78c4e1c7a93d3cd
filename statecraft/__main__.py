"""``python -m statecraft``, and the command itself: it answers to Ctrl-C while the rest of it is still being read."""

import os
import sys


def main() -> None:
    """Run the command line."""
    try:
        for number in (0, 1, 2):  # what a shell closed (`>&-`) must not become the next file that is opened
            try:
                os.fstat(number)
            except OSError:
                os.open(os.devnull, os.O_RDWR)
        from statecraft.cli import main as run

        run()
    except KeyboardInterrupt:
        from signal import SIG_IGN, SIGINT, signal

        signal(SIGINT, SIG_IGN)  # a second Ctrl-C has nothing left to stop
        print("Stopped. No half-written file was left behind.", file=sys.stderr)
        sys.exit(130)


if __name__ == "__main__":
    main()
