"""Chromium for tests of pages, without a screen; tests without one on the machine are skipped."""

import contextlib
import shutil

import pytest


@contextlib.contextmanager
def chromium(profile, *flags):
    """Chromium whose own services keep quiet."""
    driver, program = shutil.which("chromedriver"), shutil.which("chromium")
    if not (driver and program):
        pytest.skip("no Chromium on this machine")
    webdriver = pytest.importorskip("selenium.webdriver")
    options = webdriver.ChromeOptions()
    options.binary_location = program
    for flag in (
        "--headless", "--no-sandbox", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        "--enable-unsafe-swiftshader", "--use-angle=swiftshader",
        "--hide-scrollbars", f"--user-data-dir={profile}", *flags,
    ):  # fmt: skip
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    running = webdriver.Chrome(options=options, service=webdriver.ChromeService(driver))
    try:
        yield running
    finally:
        running.quit()


def size(browser, width, height=900):
    """Show pages in a window of this size."""
    metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
