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
from tests.report.browser import Browser, browser

SAMPLES = Path("samples")  # as it stands in the pages, which would else name this computer's folders
PICTURES = SAMPLES / "pictures"
MOST = 100_000
"""How large a picture may be, bytes."""

SAMPLES_SHOWN = {"diagram.svg": "feed_pusher", "timeline.svg": "greenhouse_vent", "report.png": "yard_gate",
                 "remote.png": "bale_mover"}  # fmt: skip
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
    """What Chromium shows of a machine's page, or of its remote, as PNG of 64 colours."""
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    with tempfile.TemporaryDirectory() as folder, browser() as opened:
        if name == "remote.png":
            shown = Image.open(_remote(_machine(name), opened, Path(folder)))
        else:
            shown = Image.open(_page(_machine(name), opened, Path(folder))).crop((0, 0, 1180, 1500))
        about = PngInfo()
        about.add_text("made from", fingerprint(name))
        written = io.BytesIO()
        reduced = shown.convert("RGB").quantize(64, dither=Image.Dither.NONE)
        reduced.save(written, "PNG", optimize=True, pnginfo=about)
    return written.getvalue()


def _page(machine: Machine, opened: Browser, folder: Path) -> Path:
    """The page of a machine."""
    trials = [run_trial(machine, trial) for trial in machine.trials]
    judged = judge(machine)
    proof = Judged(judged.findings, judged.report.verdicts, judged.report.unproved)
    text = page(machine, board=load(machine.board), proof=proof, trials=trials)
    path = folder / "page.html"
    path.write_text(text, encoding="utf-8")
    opened.show(path, 1180)
    opened.picture(folder / "page.png")
    return folder / "page.png"


def _remote(machine: Machine, opened: Browser, folder: Path) -> Path:
    """Two phones side by side: one before it drives, one while a thumb is on `ahead`, with the simulation behind it."""
    from PIL import Image

    from tests.bench.rig import Phone, bridge, desk, wait

    with desk(machine) as pretended, bridge(SAMPLES / "bale_mover.modes", pretended.place) as served:
        phone = Phone(opened, 360, 760)
        phone.open(served.address)
        wait(lambda: phone.text("mode-0") == "standing")
        opened.picture(folder / "before.png", whole=False)
        phone.drive()
        phone.down("[data-hold=ahead]")
        wait(lambda: phone.text("mode-0") == "forward" and pretended.body.driven)
        phone.run("scrollTo(0, 0)")
        opened.picture(folder / "driving.png", whole=False)
        phone.up()
    both = Image.new("RGB", (760, 760), "white")
    for place, each in enumerate(("before", "driving")):
        with Image.open(folder / f"{each}.png") as one:
            both.paste(one, (place * 400, 0))
    both.save(folder / "both.png")
    return folder / "both.png"


if __name__ == "__main__":
    main()
