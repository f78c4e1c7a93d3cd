"""A headless Chromium for the tests: opens pages, at any width, light or dark, and takes pictures of them."""

from __future__ import annotations

import base64
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.tools import need


class Browser:
    """A driven Chromium. ``run`` evaluates a script in the open page."""

    def __init__(self, driver: Any) -> None:
        self.driver = driver

    def show(
        self, page: Path, width: int = 1024, dark: bool = False, scripts: bool = True, printing: bool = False
    ) -> None:
        """Open the file ``page`` in a window ``width`` px wide."""
        value = "dark" if dark else "light"
        features = [{"name": "prefers-color-scheme", "value": value}]
        media = {"media": "print" if printing else "screen", "features": features}
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", media)
        metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        self.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": not scripts})
        self.driver.get(page.as_uri())

    def run(self, script: str, *arguments: Any) -> Any:
        return self.driver.execute_script(script, *arguments)

    def wait_for(self, script: str) -> Any:
        """The value of a script that ends by calling its last argument."""
        return self.driver.execute_async_script(script)

    def picture(self, path: Path, whole: bool = True) -> None:
        """Write what is shown, or the whole page, as PNG."""
        size = self.driver.execute_cdp_cmd("Page.getLayoutMetrics", {})["cssContentSize"]
        clip = {"x": 0, "y": 0, "width": size["width"], "height": min(size["height"], 16000), "scale": 1}
        asked = {"captureBeyondViewport": True, "clip": clip} if whole else {}
        taken = self.driver.execute_cdp_cmd("Page.captureScreenshot", {"format": "png", **asked})
        path.write_bytes(base64.b64decode(taken["data"]))

    def pdf(self) -> bytes:
        """The page as it prints."""
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print", "features": []})
        printed = self.driver.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True, "printBackground": True})
        return base64.b64decode(printed["data"])


@contextmanager
def browser() -> Iterator[Browser]:
    """A fresh Chromium, closed and forgotten afterwards."""
    chromium, driver = need("chromium"), need("chromedriver")
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    with tempfile.TemporaryDirectory() as profile:
        options = webdriver.ChromeOptions()
        options.binary_location = str(chromium)
        for word in (
            "headless", "no-sandbox", "disable-gpu", "disable-quic", "no-first-run", "disable-background-networking",
            "disable-component-update", "disable-sync", "hide-scrollbars", f"user-data-dir={profile}",
        ):  # fmt: skip
            options.add_argument(f"--{word}")
        made = webdriver.Chrome(options=options, service=Service(str(driver)))
        try:
            made.set_script_timeout(60)
            yield Browser(made)
        finally:
            made.quit()
