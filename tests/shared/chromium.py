"""Chromium for tests of pages, without a screen; tests without one on the machine are skipped."""

import contextlib
import os
import shutil
import time
from pathlib import Path

import pytest


@contextlib.contextmanager
def chromium(profile, *, webgl=True, fonts=None):
    """Chromium whose own services keep quiet; WebGL is drawn by software.

    Text has the typefaces of the folder `fonts` where it names them, those of the machine else.
    """
    drawn = ("--enable-unsafe-swiftshader", "--use-angle=swiftshader")
    driver, program = shutil.which("chromedriver"), shutil.which("chromium")
    if not (driver and program):
        pytest.skip("no Chromium on this machine")
    webdriver = pytest.importorskip("selenium.webdriver")
    options = webdriver.ChromeOptions()
    options.binary_location = program
    for flag in (
        "--headless", "--no-sandbox", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        "--hide-scrollbars", f"--user-data-dir={profile}",
        *(drawn if webgl else ("--disable-gpu", "--disable-3d-apis")),
    ):  # fmt: skip
        options.add_argument(flag)
    logs = {"browser": "ALL"} if webgl else {"browser": "ALL", "performance": "ALL"}
    options.set_capability("goog:loggingPrefs", logs)
    if not webgl:
        options.add_experimental_option("perfLoggingPrefs", {"enablePage": False})
    data = Path(profile, "data")
    if fonts:
        data.mkdir()
        (data / "fonts").symlink_to(fonts)
    service = webdriver.ChromeService(driver, env=os.environ | {"XDG_DATA_HOME": str(data)})
    running = webdriver.Chrome(options=options, service=service)
    try:
        yield running
    finally:
        running.quit()


def size(browser, width, height=900):
    """Show pages in a window of this size."""
    metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)


def picture(browser, name, width=1280, *, wait=0.5):
    """Keep a picture of the screen for the documentation, where a folder is set for them."""
    folder = os.environ.get("ACCSTUDY_DESK_PICTURES", "")
    if not folder:
        return
    from PIL import Image

    size(browser, width, 600)
    high = browser.execute_script("return document.documentElement.scrollHeight")
    size(browser, width, min(high, 1200))
    time.sleep(wait)
    Path(folder).mkdir(parents=True, exist_ok=True)
    file = Path(folder, f"{name}.png")
    browser.save_screenshot(str(file))
    with Image.open(file) as shown:
        shown.convert("RGB").quantize(64).save(file, optimize=True)
    size(browser, width)
