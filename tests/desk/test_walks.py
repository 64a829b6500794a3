"""Whole walks in a browser, and the same by commands: the same bytes."""

import json
import os
import shutil
import time

import pytest
from chromium import picture, size
from click.testing import CliRunner
from person import Person

from accstudy.cli import main
from accstudy.study.files import StudyInUseError, study_lock

pytest.importorskip("starlette")
pytestmark = pytest.mark.filterwarnings("default")


def call(*words, code=0):
    done = CliRunner().invoke(main, [str(w) for w in words], catch_exceptions=False)
    assert done.exit_code == code, done.output
    return done.output


def files(study, *tops):
    """Every file of these folders; when it was made is not compared."""
    found = [p for top in tops for p in sorted((study / top).rglob("*")) if p.is_file()]
    return {
        p.relative_to(study).as_posix(): p.read_bytes() for p in found if p.name != "history.jsonl"
    }


def asked(browser):
    """Addresses that the browser asked for, but its own and what stands in the page itself."""
    logged = (json.loads(entry["message"])["message"] for entry in browser.get_log("performance"))
    sent = (m["params"] for m in logged if m["method"] == "Network.requestWillBeSent")
    wanted = [p["request"]["url"] for p in sent]
    return {u for u in wanted if not u.startswith(("data:", "blob:", "chrome"))}


@pytest.fixture
def person(browser):
    size(browser, 1280)
    browser.get("about:blank")
    asked(browser)
    return Person(browser)


@pytest.mark.slow  # two whole runs, one of them from screen to screen: a minute
def test_a_clinic_from_nothing_to_the_report(started, person, export, tmp_path):
    scans = sorted(export.glob("op*.stl"))
    with started(tmp_path / "home") as desk:
        person.browser.get(desk.link)
        person.clicks("New study")
        person.sees("What do you want to know?")
        person.chooses(
            "Do impressions made with this device, software and technique, by the people who will "
            "use it, stay within the limits of the clinic, and up to which span and arch length?"
        )
        person.types("Title of the study", "Praxis Süd: full arch")
        picture(person.browser, "new")
        person.clicks("Create the study")
        person.types("Laboratory", "Praxis Süd")
        person.types("Distances between implants", "120,5")
        picture(person.browser, "question")
        person.clicks("Save")
        person.sees("Saved.")

        person.clicks("Reference")
        person.brings("Choose the table as it was exported", export / "Messbericht 104 (Kopie).csv")
        assert "Implantat 4 17,256140" in person.sees("As it is read: 4 rows")
        picture(person.browser, "reference")
        person.types("Maximum permissible error, constant part", "1.9")
        person.types("Measured on", "2026-01-31")
        person.clicks("Save")

        person.clicks("Scan body")
        person.brings("Choose the CAD geometry of the scan body", export / "Scankörper v2.stl")
        person.sees("Which plane is the platform")
        picture(person.browser, "body")
        person.clicks("Save platform, axis and flat")

        person.clicks("Scans")
        person.brings("Choose the scans", *scans)
        person.sees("4 files are not in the list")
        person.clicks("Add a row for each")
        person.types("Fill the empty cells of technique with", "plain")
        picture(person.browser, "scans")
        person.types("model, row 2", "")
        person.clicks("Save the list")
        person.types("Room temperature", "72")
        person.clicks("Save")
        person.sees("it looks like degrees Fahrenheit")
        person.types("Room temperature", "22.5")
        person.types("Thermal expansion of the model", "75e-6")
        person.clicks("Save")

        person.clicks("Check")
        person.sees("Fill in column device in the scan list")
        assert "scans.csv, row 2, model" in person.sees("Errors")
        picture(person.browser, "check")
        person.clicks("Go there")
        focused = person.browser.switch_to.active_element
        assert focused.get_attribute("aria-label") == "model, row 2"
        focused.send_keys("model 1\t")
        person.types("Fill the empty cells of device with", "device A")
        person.clicks("Save the list")
        person.clicks("Check")
        person.sees("Nothing is missing.")
        person.clicks("Go on to Run")
        person.types("Your name, for report and history", "A. Example")
        person.clicks("Run")  # the button: its screen is open
        if os.environ.get("ACCSTUDY_DESK_PICTURES"):
            person.sees(" of 4")
            picture(person.browser, "run")
        person.sees("Done.", 180)
        person.clicks("Read the results")
        answer = person.within("Answer, and every scan to explore")
        assert "120.5 µm" in answer
        picture(person.browser, "results")
        person.clicks("Report")
        picture(person.browser, "report", wait=4)
        person.clicks("Tables")
        person.clicks("conformity")
        person.clicks("bound_with_guard")
        picture(person.browser, "table")
        wanted = asked(person.browser)
        assert len(wanted) > 20
        assert all(u.startswith(f"http://{desk.host}/") for u in wanted), wanted
        study = next((tmp_path / "home").glob("*/study.toml")).parent
        shown = files(study, "results", "reports")

    other = tmp_path / "by commands"
    shutil.copytree(study, other, ignore=shutil.ignore_patterns("results", "reports", ".accstudy"))
    call("run", other, "--page", "--figures", "svg", "--by", "A. Example", "--jobs", "1", "--quiet")
    assert files(other, "results", "reports") == shown


@pytest.fixture
def weekly(export, tmp_path):
    """A drift study of two sessions, and the scans of a third outside it."""
    home = tmp_path / "home"
    study = home / "Our device"
    call("new", study, "--protocol", "monthly_drift", "--title", "Our device", "--quiet")
    report = export / "Messbericht 104 (Kopie).csv"
    (study / "reference" / "implants.csv").write_bytes(report.read_bytes())
    shutil.copy(export / "Scankörper v2.stl", study / "scan_bodies" / "body.stl")
    text = (study / "study.toml").read_text(encoding="utf-8")
    names = {"implant": "Element", "x_mm": "X [mm]", "y_mm": "Y [mm]", "z_mm": "Z [mm]",
             "axis_x": "I", "axis_y": "J", "axis_z": "K"}  # fmt: skip
    columns = ", ".join(f'{own} = "{user}"' for own, user in names.items())
    own = 'implants = "reference/implants.csv"'
    lines = f'header_row = 4\nmodel = "model 1"\ncolumns = {{ {columns} }}\n{own}'
    text = text.replace(own, lines, 1)
    (study / "study.toml").write_text(text, encoding="utf-8")
    first, second, *third = sorted(export.glob("op*.stl"))
    for k, file in enumerate((first, second), start=1):
        call("add", study, file, "--session", f"week {k}", "--device", "device A",
             "--set", "operator=1", "--expect", "1")  # fmt: skip
    return study, third


@pytest.mark.slow
def test_a_session_of_a_drift_study_is_added_as_by_the_command(started, person, weekly, tmp_path):
    study, third = weekly
    other = tmp_path / "by commands"
    shutil.copytree(study, other)
    with started(study.parent) as desk:
        person.browser.get(desk.link)
        person.clicks("Our device")
        person.clicks("Add a session")
        person.brings("Choose the scans of this session", *third)
        person.types("Name of the session", "week 3")
        person.types("Scans planned for the session", "3")
        person.clicks("Add the session")
        assert "Scans still to make: week 3 device A r3" in person.sees("Added: ")
        person.clicks("Add a session")
        person.types("Date", "2026-02-01")
        person.types("Event", "new tip")
        person.clicks("Add the event")
        person.sees("Event added: 2026-02-01: new tip")
        person.clicks("Run")  # the step: its check begins
        person.sees("Locates every implant in every scan")
        person.clicks("Run")
        person.sees("Done.", 300)
        person.clicks("Read the results")
        assert "device A" in person.within("Answer, and every scan to explore")
    call("add", other, *third, "--session", "week 3", "--expect", "3")
    assert (study / "events.csv").read_text().splitlines()[1].startswith("2026-02-01,device A,")
    shutil.copy(study / "events.csv", other / "events.csv")
    mine, theirs = files(study, "scans", "plan"), files(other, "scans", "plan")
    assert mine == theirs
    assert (study / "scans.csv").read_bytes() == (other / "scans.csv").read_bytes()
    call("run", other, "--page", "--figures", "svg", "--jobs", "1", "--quiet")
    assert files(study, "results", "reports") == files(other, "results", "reports")


def test_a_study_is_planned_and_ticked_off_at_the_bench(started, person, export, tmp_path):
    other = tmp_path / "by commands"
    call("new", other, "--title", "Plan", "--quiet")
    with started(tmp_path / "home") as desk:
        person.browser.get(desk.link)
        person.clicks("New study")
        person.browser.find_element("id", "full_arch_validation").click()
        person.types("Title of the study", "Plan")
        person.clicks("Create the study")
        study = tmp_path / "home" / "Plan"
        assert files(study, ".") | {".accstudy/lock": b""} == files(other, ".") | {
            ".accstudy/lock": b""
        }
        person.clicks("Plan")
        person.types("Standard deviation of repeats", "20")
        person.types("Standard deviation between sessions", "10")
        person.types("Numbers of cells to try", "2, 3")
        person.types("Scans per cell to try", "3")
        person.clicks("Compute sizes")
        person.sees("The whole table")
        picture(person.browser, "plan")
        person.types("Operators", "AB, CD")
        person.types("Scans per operator and session", "1")
        person.types("Seed of the random order", "7")
        person.clicks("Randomise the order")
        person.sees("Data collection sheet (PDF)")
        call("plan", other, "--s-r", "20", "--s-cell", "10", "--cells", "2,3", "--per-cell", "3",
             "--operator", "AB", "--operator", "CD", "--repeats", "1", "--seed", "7")  # fmt: skip
        assert files(study, "plan") == files(other, "plan")
        assert (study / "scans.csv").read_bytes() == (other / "scans.csv").read_bytes()

        size(person.browser, 768, 1024)
        person.clicks("Tick off at the bench")
        person.sees("4 scans to make")
        person.types("Temperature now", "22.5")
        person.clicks("s001 was made")
        person.sees("3 scans to make")
        person.types("Reason, if it failed", "tip fogged")
        person.clicks("s002 failed")
        person.sees("failed: tip fogged")
        picture(person.browser, "bench", 768)
        person.clicks("Back to the plan")
        size(person.browser, 1280)
        person.clicks("Scans")
        person.brings("Choose the scans", sorted(export.glob("op*.stl"))[0])
        person.clicks("Name these files in the list")
        rows = (study / "scans.csv").read_text(encoding="utf-8").splitlines()
        head, *cells = (row.split(",") for row in rows)
        made, failed = (dict(zip(head, row, strict=True)) for row in cells[:2])
        assert (made["status"], made["temperature_c"]) == ("ok", "22.5")
        assert made["file"] == "scans/op1 Scan 1 – Müller.stl"
        assert made["measured_at"][:2] == "20"
        assert (failed["status"], failed["reason"]) == ("failed", "tip fogged")


@pytest.mark.slow
def test_a_killed_desk_loses_nothing_and_goes_on(started, person, weekly):
    study, third = weekly
    call("add", study, *third, "--session", "week 3", "--expect", "2")
    kept = study / ".accstudy" / "measured"
    with started(study.parent) as desk:
        person.browser.get(desk.link)
        person.clicks("Our device")
        person.clicks("Run")
        person.sees("Locates every implant in every scan")
        person.clicks("Run")
        end = time.monotonic() + 120
        while not (kept.is_dir() and any(kept.iterdir())) and time.monotonic() < end:
            time.sleep(0.02)
        desk.process.kill()
        desk.process.wait(10)
    for _ in range(150):  # the work leaves off by itself
        try:
            with study_lock(study):
                break
        except StudyInUseError:
            time.sleep(0.1)
    else:
        pytest.fail("the study is still worked on")
    assert not (study / "results").exists()
    found = {p.name: p.stat().st_mtime_ns for p in kept.iterdir()}
    assert found
    with started(study.parent) as desk:
        person.browser.get(desk.link)
        person.clicks("Our device")
        person.clicks("Run")
        person.sees("Locates every implant in every scan")
        person.clicks("Run")
        person.sees(f"{len(found)} up to date", 120)
        person.clicks("Stop")
        person.sees("Stopped. Earlier results are unchanged")
        person.sees("Go on")
    assert len(list(kept.iterdir())) == 4
    assert {n: (kept / n).stat().st_mtime_ns for n in found} == found
