"""Every screen: for all readers, at two widths; pictures of it for the documentation."""

import os
import shutil
import time
from importlib import resources

import pytest
from chromium import picture, size
from person import Person
from selenium.webdriver import ActionChains, Keys
from small_study import DRIFT, STUDY, write

pytest.importorskip("starlette")
pytestmark = pytest.mark.filterwarnings("default")


@pytest.fixture(scope="module")
def screens(started, browser, export, tmp_path_factory):
    """Addresses of every screen of two studies, one of them with a result."""
    home = tmp_path_factory.mktemp("studies")
    one = write(home / "Full arch", STUDY)
    write(home / "Our device", DRIFT)
    compared = (
        STUDY["study"].replace("A check", "Two techniques").replace("validation", "comparison")
    )
    write(home / "Two techniques", STUDY, study=compared)
    (one / "scan_bodies").mkdir()
    shutil.copy(export / "Scankörper v2.stl", one / "scan_bodies" / "body.stl")
    text = (one / "study.toml").read_text()
    (one / "study.toml").write_text(
        text + '\n[scan_body.default]\nmesh = "scan_bodies/body.stl"\nflat = [1, 0, 0]\n'
        "[analysis]\ncondition = []\n"
    )
    (one / "scans").mkdir()
    for file in export.glob("op*.stl"):
        shutil.copy2(file, one / "scans")
    with (one / "scans.csv").open("a") as rows:
        rows.write("s3,N,A,1,1\n")
    (one / "results").mkdir()
    (one / "results" / "record.json").write_text("{}")
    (one / "results" / "accuracy.csv").write_text(
        "condition,model,measurand,bias\nA,M,distance_um,-1.5\nB,M,distance_um,12\n"
    )
    with started(home) as desk:
        browser.get(desk.link)
        person = Person(browser)
        person.clicks("A check")
        study = browser.current_url.rpartition("/")[0]
        person.clicks("All studies")
        person.clicks("Odd")
        other = browser.current_url.rpartition("/")[0]
        person.clicks("All studies")
        person.clicks("Two techniques")
        third = browser.current_url.rpartition("/")[0]
        top = f"http://{desk.host}"
        yield {
            "home": f"{top}/", "new": f"{top}/new", "browse": f"{top}/browse",
            "question": f"{study}/question", "reference": f"{study}/reference",
            "body": f"{study}/body", "plan": f"{study}/plan", "scans": f"{study}/scans",
            "check": f"{study}/check", "run": f"{study}/run", "bench": f"{study}/bench",
            "results": f"{study}/results", "tables": f"{study}/results?view=tables",
            "table": f"{study}/table/accuracy", "session": f"{other}/session",
            "models": f"{third}/models", "power": f"{third}/plan",
        }  # fmt: skip


def opened(browser, address):
    """Open a screen, and wait until nothing on it is still being read."""
    browser.get(address)
    busy = "return document.querySelector('[data-load] > p.meaning:only-child, [data-job]')"
    end = time.monotonic() + 60
    while browser.execute_script(busy) and time.monotonic() < end:
        time.sleep(0.2)


NAMES = (
    "home", "new", "browse", "question", "reference", "body", "plan", "scans", "check", "run",
    "bench", "results", "tables", "table", "session", "models", "power",
)  # fmt: skip


def turns(browser):
    """The drawing turns by keys and by dragging, and shows what is chosen."""
    canvas = browser.find_element("css selector", "canvas.turn")
    image = "return arguments[0].toDataURL()"
    seen = {browser.execute_script(image, canvas)}

    def another():
        now = browser.execute_script(image, canvas)
        assert now not in seen
        seen.add(now)

    for key in (Keys.ARROW_LEFT, Keys.ARROW_UP):
        canvas.send_keys(key)
        another()
    ActionChains(browser).drag_and_drop_by_offset(canvas, 60, 30).perform()
    another()
    browser.find_element("css selector", "[for=plane-C]").click()  # its letter is marked
    another()
    browser.find_element("css selector", "[for=reverse]").click()  # the arrow points down
    another()
    inside = "return arguments[0].getContext('2d').getImageData(320, 320, 1, 1).data[3]"
    assert browser.execute_script(inside, canvas) == 255  # the body is there
    assert canvas.get_attribute("aria-label")


@pytest.mark.parametrize("name", NAMES)
def test_a_screen_is_for_all_readers_and_fits(browser, screens, name):
    size(browser, 1280)
    browser.get_log("browser")  # what tests before this one left
    opened(browser, screens[name])
    axe = pytest.importorskip("axe_core_python").__name__
    browser.execute_script((resources.files(axe) / "axe.min.js").read_text())
    for width in (1280, 768):
        size(browser, width)
        found = browser.execute_async_script(
            "const done = arguments[0]; axe.run({ resultTypes: ['violations'] })"
            ".then((r) => done(r.violations.map((v) => [v.id, v.nodes.map((n) => n.html)])))"
        )
        assert not found
        wide = "return document.documentElement.scrollWidth - innerWidth"
        assert browser.execute_script(wide) <= 0
    if name == "body":
        turns(browser)
    if name == "power" and os.environ.get("ACCSTUDY_DESK_PICTURES"):
        person = Person(browser)
        for label, text in (("Difference to detect", "20"), ("Equivalence margin", "20"),
                            ("Single distances", "15"), ("Scans", "10")):  # fmt: skip
            person.types(label, text)
        person.clicks("Compute power")
        person.sees("The whole table", 120)
    if name in ("home", "session", "models", "power"):
        picture(browser, name)  # the walks make those of the other screens
    assert not [entry for entry in browser.get_log("browser") if entry["level"] == "SEVERE"]


def test_a_table_is_sorted_by_its_numbers_with_the_keyboard(browser, screens):
    opened(browser, screens["table"])
    bias = "return [...document.querySelectorAll('td:last-child')].map((c) => c.textContent)"
    button = browser.find_element("xpath", "//button[text()='bias']")
    for state, values in (("ascending", ["-1.5", "12"]), ("descending", ["12", "-1.5"])):
        button.send_keys("\n")
        assert browser.execute_script(bias) == values
        head = browser.find_element("css selector", "th[aria-sort]")
        assert head.get_attribute("aria-sort") == state


def test_what_was_typed_is_not_lost_without_a_word(browser, screens):
    leaves = "const e = new Event('beforeunload', {cancelable: true}); dispatchEvent(e); return e"
    opened(browser, screens["question"])
    assert not browser.execute_script(f"{leaves}.defaultPrevented")
    Person(browser).types("Laboratory", "ours")
    assert browser.execute_script(f"{leaves}.defaultPrevented")
    sent = (
        "document.querySelector(arguments[0]).dispatchEvent(new Event('submit', {bubbles: true}))"
    )
    browser.execute_script(f"document.body.append(document.createElement('form')); {sent}",
                           "body > form")  # fmt: skip
    assert browser.execute_script(f"{leaves}.defaultPrevented")  # it was another form
    browser.execute_script(sent, "form.fields")
    assert not browser.execute_script(f"{leaves}.defaultPrevented")
    Person(browser).types("Laboratory", "ours again")
    Person(browser).clicks("Next: Reference")
    Person(browser).sees("Table of the coordinate measuring machine")
