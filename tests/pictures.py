"""The README's pictures, made again into samples/pictures/: ``python -m tests.pictures``, in the checkout's top folder.

The diagram and the timeline are SVG, a piece of the page is a PNG of few colours, for which Chromium is needed; each
stays under 100 KB.
"""

from __future__ import annotations

import hashlib
import io
import tempfile
from pathlib import Path

from statecraft.boards import load
from statecraft.language import read_file
from statecraft.machine import Machine
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
"""How large a picture may be, bytes."""

SAMPLES_SHOWN = {"diagram.svg": "feed_pusher", "timeline.svg": "greenhouse_vent", "report.png": "yard_gate"}
"""The pictures, and which sample each shows."""


def _machine(name: str) -> Machine:
    return read_file(str(SAMPLES / f"{SAMPLES_SHOWN[name]}.modes"))


def fingerprint(name: str) -> str:
    """The SHA-256 of the text that the picture ``name`` is made from."""
    return hashlib.sha256((SAMPLES / f"{SAMPLES_SHOWN[name]}.modes").read_bytes()).hexdigest()


def made_from(path: Path) -> str:
    """The SHA-256 that is written in a PNG; "" where there is none."""
    from PIL import Image

    with Image.open(path) as opened:
        return str(opened.info.get("made from", ""))


def svg(name: str) -> str:
    """The picture ``name`` as it is drawn now."""
    machine = _machine(name)
    if name == "diagram.svg":
        return diagram_file(machine, judge(machine).findings)
    off = next(trial for trial in machine.trials if "thermistor" in trial.title)
    return timeline_file(of_trial(run_trial(machine, off)))


def main() -> None:
    """Write them, and say how large each has become."""
    PICTURES.mkdir(exist_ok=True)
    for name in SAMPLES_SHOWN:
        if name.endswith(".svg"):
            (PICTURES / name).write_text(svg(name), encoding="utf-8")
        else:
            (PICTURES / name).write_bytes(_piece(name))
    for path in sorted(PICTURES.iterdir()):
        size = path.stat().st_size
        print(f"{path}: {size:,} bytes{'' if size < MOST else ', TOO LARGE'}")


def _piece(name: str) -> bytes:
    """The top of a machine's page, as PNG of 64 colours."""
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    machine = _machine(name)
    trials = [run_trial(machine, trial) for trial in machine.trials]
    judged = judge(machine)
    proof = Judged(judged.findings, judged.report.verdicts, judged.report.unproved)
    text = page(machine, board=load(machine.board), proof=proof, trials=trials)
    with tempfile.TemporaryDirectory() as folder, browser() as opened:
        path = Path(folder) / "page.html"
        path.write_text(text, encoding="utf-8")
        opened.show(path, 1180)
        opened.picture(Path(folder) / "page.png")
        shown = Image.open(Path(folder) / "page.png").crop((0, 0, 1180, 1500))
        about = PngInfo()
        about.add_text("made from", fingerprint(name))
        written = io.BytesIO()
        reduced = shown.convert("RGB").quantize(64, dither=Image.Dither.NONE)
        reduced.save(written, "PNG", optimize=True, pnginfo=about)
    return written.getvalue()


if __name__ == "__main__":
    main()
