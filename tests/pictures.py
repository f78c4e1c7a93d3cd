"""The README's pictures, made again into samples/pictures/: ``python -m tests.pictures``, in the checkout's top folder.

The diagram and the timeline are SVG, a piece of the page is a PNG of few colours, for which Chromium is needed; each
stays under 100 KB.
"""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

from statecraft.boards import load
from statecraft.language import read_file
from statecraft.proof.judgement import judge
from statecraft.report.diagram import diagram_file
from statecraft.report.page import Judged, page
from statecraft.report.record import of_trial
from statecraft.report.timeline import timeline_file
from statecraft.simulation import run_trial
from tests.report.browser import browser

SAMPLES = Path("samples")  # as it stands in the pages, which would else name this computer's folders
PICTURES = SAMPLES / "pictures"
MOST = 100_000


def main() -> None:
    """Write them, and say how large each has become."""
    PICTURES.mkdir(exist_ok=True)
    pusher = read_file(str(SAMPLES / "feed_pusher.modes"))
    vent = read_file(str(SAMPLES / "greenhouse_vent.modes"))
    off = next(trial for trial in vent.trials if "thermistor" in trial.title)
    (PICTURES / "diagram.svg").write_text(diagram_file(pusher, judge(pusher).findings), encoding="utf-8")
    (PICTURES / "timeline.svg").write_text(timeline_file(of_trial(run_trial(vent, off))), encoding="utf-8")
    (PICTURES / "report.png").write_bytes(_piece())
    for path in sorted(PICTURES.iterdir()):
        size = path.stat().st_size
        print(f"{path}: {size:,} bytes{'' if size < MOST else ', TOO LARGE'}")


def _piece() -> bytes:
    """The top of the yard gate's page, as PNG of 64 colours."""
    from PIL import Image

    machine = read_file(str(SAMPLES / "yard_gate.modes"))
    trials = [run_trial(machine, trial) for trial in machine.trials]
    judged = judge(machine)
    proof = Judged(judged.findings, judged.report.verdicts)
    text = page(machine, board=load(machine.board), proof=proof, trials=trials)
    with tempfile.TemporaryDirectory() as folder, browser() as opened:
        path = Path(folder) / "page.html"
        path.write_text(text, encoding="utf-8")
        opened.show(path, 1180)
        opened.picture(Path(folder) / "page.png")
        shown = Image.open(Path(folder) / "page.png").crop((0, 0, 1180, 1500))
        written = io.BytesIO()
        shown.convert("RGB").quantize(64, dither=Image.Dither.NONE).save(written, "PNG", optimize=True)
    return written.getvalue()


if __name__ == "__main__":
    main()
