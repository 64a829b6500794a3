"""The page in a real browser: it loads without a complaint, and a pair shows its number."""

import json
import re
import shutil

import numpy as np
import pandas as pd
import pytest

from accstudy.compare.deviations import implant_deviations, pair_deviations
from accstudy.errors import OutputError
from accstudy.mesh.model import Mesh
from accstudy.page.build import PageContent, build_page


def content(**changes):
    reference = pd.DataFrame(
        {
            "model": "M",
            "implant": ["I1", "I2", "I3"],
            "x_mm": [0.0, 20.0, 40.0],
            "y_mm": [0.0, 9.0, 0.0],
            "z_mm": 0.0,
            "axis_x": 0.0,
            "axis_y": 0.0,
            "axis_z": 1.0,
            "flat_x": np.nan,
            "flat_y": np.nan,
            "flat_z": np.nan,
            "angulation_deg": 0.0,
        }
    )
    frames = []
    for i, scan in enumerate(["s1", "s2"]):
        frame = reference.drop(columns="angulation_deg").assign(scan=scan)
        frame.loc[2, "x_mm"] += 0.0305 * (i + 1)
        frames.append(frame)
    poses = pd.concat(frames, ignore_index=True)
    singles = implant_deviations(poses, reference)
    values = {
        "title": "A </script><b>title</b>",
        "answer": "An answer.",
        "cautions": ("Not a medical device.",),
        "alignment": "all-implants",
        "scans": pd.DataFrame({"scan": ["s1", "s2"]}),
        "pairs": pair_deviations(poses, reference),
        "singles": singles[singles["alignment"] == "all-implants"],
        "implants": {"M": reference},
        "meshes": {
            "s1": Mesh(
                np.array([[0, 0, 0], [40, 0, 0], [20, 9, 0], [20, 3, 10.0]]),
                np.array([[0, 1, 3], [1, 2, 3], [2, 0, 3]], dtype=np.int32),
            )
        },
    }
    return PageContent(**(values | changes))


def data_of(page):
    text = re.search(rb'<script type="application/json" id="data">(.*?)</script>', page, re.S)[1]
    return json.loads(text)


def test_the_page_holds_its_data_and_asks_for_nothing():
    page = build_page(content())
    data = data_of(page)
    assert data["title"] == "A </script><b>title</b>"
    assert data["pairs"]["distance_um"][1] == 30.5
    own = page.replace(b"http://www.w3.org/", b"")  # names of XML spaces, not addresses
    assert not re.search(rb'(src|href)\s*=\s*["\']?https?:', own)
    assert b"default-src 'none'" in page
    assert build_page(content()) == page


def test_packed_corners_keep_a_thousandth_of_a_millimetre():
    import base64

    mesh = content().meshes["s1"]
    packed = data_of(build_page(content()))["meshes"]["s1"]
    steps = np.frombuffer(base64.b64decode(packed["corners"]), "<u2").reshape(-1, 3)
    back = np.array(packed["low"]) + steps * np.array(packed["step"])
    assert np.abs(back - mesh.vertices_mm).max() < 1e-3


def test_a_page_too_large_is_refused():
    n = 1_500_000
    huge = Mesh(np.random.default_rng(0).uniform(0, 50, (n, 3)), np.zeros((1, 3), np.int32))
    with pytest.raises(OutputError, match="MB"):
        build_page(content(meshes={"s1": huge}))


@pytest.fixture
def browser(tmp_path):
    driver, program = shutil.which("chromedriver"), shutil.which("chromium")
    if not (driver and program):
        pytest.skip("no Chromium on this machine")
    webdriver = pytest.importorskip("selenium.webdriver")
    options = webdriver.ChromeOptions()
    options.binary_location = program
    for flag in (
        "--headless", "--no-sandbox", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        "--enable-unsafe-swiftshader", "--use-angle=swiftshader", "--window-size=1400,1000",
        f"--user-data-dir={tmp_path / 'profile'}",
    ):  # fmt: skip
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    running = webdriver.Chrome(options=options, service=webdriver.ChromeService(driver))
    yield running
    running.quit()


@pytest.mark.filterwarnings("default")
def test_in_a_browser_a_pair_shows_its_number(browser, tmp_path):
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys
    from selenium.webdriver.support.ui import Select

    file = tmp_path / "page.html"
    file.write_bytes(build_page(content()))
    browser.get(file.as_uri())
    assert browser.find_element(By.TAG_NAME, "h1").text == "A </script><b>title</b>"
    assert browser.find_elements(By.TAG_NAME, "canvas")
    box = browser.find_element(By.ID, "view").rect
    for name in browser.find_elements(By.CSS_SELECTOR, "#names span"):  # the whole model is seen
        assert box["x"] <= name.rect["x"] <= box["x"] + box["width"] - name.rect["width"]
        assert box["y"] <= name.rect["y"] <= box["y"] + box["height"] - name.rect["height"]
    button = browser.find_element(By.CSS_SELECTOR, 'tr[data-pair="I1–I3"] button')
    button.send_keys(Keys.ENTER)  # by keyboard alone
    said = browser.find_element(By.ID, "picked").text
    assert "30.5 µm longer" in said
    assert "40.00 mm" in said
    Select(browser.find_element(By.ID, "scan")).select_by_value("s2")
    assert "61.0 µm longer" in browser.find_element(By.ID, "picked").text
    browser.find_element(By.ID, "filter").send_keys("I2")
    rows = browser.find_elements(By.CSS_SELECTOR, "#rows tr")
    assert [r.get_attribute("data-pair") for r in rows] == ["I1–I2", "I2–I3"]
    head = browser.find_element(By.CSS_SELECTOR, 'th[data-key="distance_um"]')
    head.find_element(By.TAG_NAME, "button").click()
    assert head.get_attribute("aria-sort") == "descending"
    complaints = [e for e in browser.get_log("browser") if e["level"] in ("SEVERE", "WARNING")]
    assert [c for c in complaints if "GPU stall" not in c["message"]] == []
