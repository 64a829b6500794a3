"""The page in a real browser: by keyboard, at two widths, without WebGL, for all readers."""

import base64
import io
import math
import os
import re
from dataclasses import replace
from importlib import resources
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from approved import compare
from chromium import chromium
from page_content import HOSTILE, REFERENCE, content, drift
from PIL import Image

import accstudy.figures
from accstudy.mesh.model import Mesh
from accstudy.page.build import build_page
from accstudy.reports.document import ReportContent
from accstudy.stages.report import drift_charts

pytestmark = pytest.mark.filterwarnings("default")


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """A page of a validation, one of a drift study, and one with hostile labels."""
    folder = tmp_path_factory.mktemp("pages")
    tilted = REFERENCE.assign(axis_x=[0.2, 0.0, -0.1], axis_y=[0.1, 0.3, 0.0], axis_z=0.95)
    made = {
        "plain": content(),
        "drift": content(charts=True, meshes={}),
        "hostile": content(hostile=True, charts=True),
        "many": many(30, charts=True, meshes={}),
        "several": many(
            16,
            meshes={},
            condition=[f"device {k}" for k in "BACD"],
            implants={"M": REFERENCE, "N": REFERENCE.assign(model="N")},
        ),
        "tilted": content(implants={"M": tilted}, meshes={}),
        "deep": solid([[0, 0, -60], [40, 0, -60], [20, 9, -60], [20, 3, 0]]),
        "long": solid([[20, 90, 0], [40, 0, 0], [20, 9, 0], [20, 3, 0]]),
        "lone": lone(),
        "25": many(25, meshes={}),
        "41": many(41, meshes={}),
        "667": many(667, meshes={}),
        "fleet": content(meshes={}, drift=fleet(7)),
    }
    for name, one in made.items():
        page = build_page(one).replace(b"startCharts();\n", INSIDE.encode())
        (folder / f"{name}.html").write_bytes(page)
    return folder


def many(n, condition="device A", **changes):
    """A page of so many scans in sessions of three, of one condition or several in turn."""
    one = content(**changes)
    named = [f"m{k:02d}" for k in range(1, n + 1)]
    first = {name: getattr(one, name).query("scan == 's1'") for name in ("pairs", "singles")}
    scans = pd.DataFrame({"scan": named, "model": "M", "without": ""})
    scans["condition"] = condition if isinstance(condition, str) else condition * (n // 4)
    if not isinstance(condition, str):
        scans["model"] = ["M", "N"] * (n // 2)
    scans["session"] = [f"S{k // 3 + 1}" for k in range(n)]
    scans["measured_at"] = pd.Timestamp("2026-01-05") + pd.to_timedelta(np.arange(n) // 3 * 14, "D")
    tables = {
        name: pd.concat([rows.assign(scan=scan) for scan in named], ignore_index=True)
        for name, rows in first.items()
    }
    return replace(one, scans=scans, **tables)


def solid(corners):
    """A page with a surface of four corners, of which the first is within the view."""
    faces = np.array([[0, 1, 3], [1, 2, 3]], dtype=np.int32)
    return content(meshes={"s1": Mesh(np.array(corners, float), faces)})


def lone():
    """A page with scans of models of a single implant, upright and lying, and of two in line."""
    one = content(meshes={})
    up, lying = REFERENCE.head(1), REFERENCE.head(1).assign(axis_x=1.0, axis_z=0.0)
    line = REFERENCE.head(2).assign(x_mm=0.0, y_mm=0.0, z_mm=[0.0, 9.0])
    models = {"M": REFERENCE, "U": up, "V": lying, "W": line}
    scans = pd.DataFrame({"scan": ["s1", "u", "v", "w"], "model": list("MUVW"), "condition": "x"})
    first = one.singles.query("scan == 's1'")
    own = [first.head(n).assign(scan=s) for s, n in (("u", 1), ("v", 1), ("w", 2))]
    return replace(
        one,
        scans=scans.assign(without=["", "one implant", "one implant", "in line"]),
        pairs=one.pairs.query("scan == 's1'"),
        singles=pd.concat([first, *own], ignore_index=True),
        implants=models,
    )


def fleet(n):
    """Charts of many devices that were seen once."""
    tables = drift().tables
    first = {k: t[t["device"].eq("device B") & t["session"].eq("S1")] for k, t in tables.items()
             if k in ("drift_points", "drift_limits")}  # fmt: skip
    names = [f"device {k}" for k in range(n)]
    found = {k: pd.concat([t.assign(device=d) for d in names]) for k, t in first.items()}
    status = pd.concat([tables["drift_status"].tail(1).assign(device=d) for d in names])
    return drift_charts(ReportContent("", {}, {**found, "drift_status": status}, {}, ""))


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    """Chromium with WebGL by software; `show` takes WebGL away unless it is asked for."""
    with chromium(tmp_path_factory.mktemp("profile")) as running:
        yield running


@pytest.fixture(scope="module")
def typeset(tmp_path_factory):
    """Chromium with the typefaces of the reports, the same wherever it runs."""
    fonts = Path(accstudy.figures.__file__).with_name("fonts")
    with chromium(tmp_path_factory.mktemp("profile"), fonts=fonts) as running:
        yield running


NO_WEBGL = """{ const real = HTMLCanvasElement.prototype.getContext;
HTMLCanvasElement.prototype.getContext = function (kind, ...rest) {
  return /webgl/.test(kind) ? null : real.call(this, kind, ...rest); }; }"""


def show(browser, pages, name, width=1440, *, webgl=False):
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    before = "Page.addScriptToEvaluateOnNewDocument"
    taken = None if webgl else browser.execute_cdp_cmd(before, {"source": NO_WEBGL})
    browser.get_log("browser")
    browser.get((pages / f"{name}.html").as_uri())
    if taken:
        browser.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", taken)


def press(browser, *keys):
    for key in keys:
        browser.switch_to.active_element.send_keys(key)


def texts(browser, css):
    return browser.execute_script(
        "return [...document.querySelectorAll(arguments[0])].map((e) => e.textContent)", css
    )


def rows(browser, css):
    return browser.execute_script(
        "return [...document.querySelectorAll(arguments[0])]"
        ".map((r) => [...r.children].map((c) => c.textContent))", css
    )  # fmt: skip


def printed(value, digits, signed=False):
    """A number as the page prints it, worked out from the table's cell."""
    text = f"{value:{'+' if signed else ''}.{digits}f}".replace("-", "−")
    return text if float(f"{value:.{digits}f}") else f"{0:.{digits}f}"


def test_every_printed_number_is_the_cell_of_its_table(browser, pages):
    show(browser, pages, "plain")
    made = content()
    own = made.pairs[made.pairs["scan"] == "s1"].sort_values("span_mm")
    assert rows(browser, "#pairs tbody tr") == [
        [f"{r.implant_a}–{r.implant_b}", printed(r.span_mm, 2), printed(r.path_mm, 2),
         printed(r.distance_um, 1, True), printed(r.angle_deg, 3, True),
         printed(r.relative_axis_deg, 3)]
        for r in own.itertuples()
    ]  # fmt: skip
    assert rows(browser, "#pairs .limit") == [["limit", "", "", "60", "0.4", ""]]
    own = made.singles[made.singles["scan"] == "s1"]
    assert rows(browser, "#singles tbody tr") == [
        [r.implant, printed(r.mesiodistal_um, 1, True), printed(r.buccolingual_um, 1, True),
         printed(r.vertical_um, 1, True), printed(r.distance_um, 1), printed(r.angle_deg, 3)]
        for r in own.itertuples()
    ]  # fmt: skip
    own = made.accuracy.sort_values("span_mm", kind="stable")
    assert rows(browser, "#accuracies tbody tr") == [
        [r.subject.replace("-", "–"), printed(r.span_mm, 2), printed(r.bias, 1, True),
         printed(r.bias_low, 1, True), printed(r.bias_high, 1, True),
         printed(r.s_r, 1), printed(r.s_I, 1), "2", "2"]
        for r in own.itertuples()
    ]  # fmt: skip
    order = made.pairs[made.pairs["scan"] == "s1"].sort_values("path_mm")
    names = [f"{a}–{b}" for a, b in zip(order["implant_a"], order["implant_b"], strict=True)]
    assert texts(browser, ".map thead .turned") == names
    wide = made.pairs.assign(pair=made.pairs["implant_a"] + "–" + made.pairs["implant_b"])
    wide = wide.pivot_table(index="scan", columns="pair", values="distance_um")[names]
    beyond = wide.abs() > 60
    assert beyond.to_numpy().sum() == 1
    cells = [
        [printed(v, 1, True) + " beyond the limit" * bool(b) for v, b in zip(*both, strict=True)]
        for both in zip(wide.to_numpy(), beyond.to_numpy(), strict=True)
    ]
    expected = [[s, *c] for s, c in zip(wide.index, cells, strict=True)]
    assert rows(browser, ".map tbody tr") == [*expected, ["s3", "–", "–", "–"]]
    assert "s3, no result: failed: moisture" in texts(browser, "#without li")
    assert "30.5\u00a0µm" in texts(browser, "#facts dd")
    assert cut(browser) == [0]


def test_the_map_is_blue_below_and_brown_above_a_neutral_zero(browser, pages):
    show(browser, pages, "plain")
    found = browser.execute_script(
        "return [...document.querySelectorAll('.map td:not(.none)')].map((c) => "
        "[c.textContent, getComputedStyle(c).backgroundColor, getComputedStyle(c).color, "
        "c.className, getComputedStyle(c, '::before').content])"
    )
    largest = content().pairs["distance_um"].abs().max()
    signs = set()
    for text, fill, ink, classes, sign in found:
        value = float(text.split()[0].replace("−", "-"))
        red, green, blue = (int(v) for v in re.findall(r"\d+", fill))
        signs.add(np.sign(value))
        if abs(value) > 0.05 * largest:
            assert (red > blue) == (value > 0), (text, fill)
        if value == 0:
            assert max(red, green, blue) - min(red, green, blue) < 4
        assert contrast((red, green, blue), [int(v) for v in re.findall(r"\d+", ink)]) >= 4.5
        assert ("strong" in classes) == (abs(value) >= largest / 2)
        assert sign == (f'"{text[0]}"' if "strong" in classes else "none")
        assert ("beyond" in classes) == (abs(value) > 60)
    assert signs == {-1, 1}


def contrast(one, other):
    """Contrast ratio of WCAG 2.2."""
    light = []
    for rgb in (one, other):
        parts = [v / 255 for v in rgb]
        parts = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        light.append(0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2])
    return (max(light) + 0.05) / (min(light) + 0.05)


def test_by_keyboard_alone_a_cell_is_read_and_its_scan_opened_and_left(browser, pages):
    from selenium.webdriver.common.keys import Keys

    show(browser, pages, "plain")
    browser.execute_script("document.querySelector('.map [tabindex=\"0\"]').focus()")
    press(browser, Keys.ARROW_DOWN, Keys.END)
    tip = browser.find_element("id", "tip")
    last = content().pairs.query("scan == 's2' and implant_a == 'I1' and implant_b == 'I3'").iloc[0]
    for part in ("s2, 19 Jan 2026", "I1–I3", printed(last["span_mm"], 2), "beyond the limit",
                 f"distance: deviation {printed(last['distance_um'], 1, True)}"):  # fmt: skip
        assert part in tip.text.replace("\u00a0", " ")
    press(browser, Keys.ESCAPE)
    assert not tip.is_displayed()
    press(browser, Keys.ENTER)
    assert browser.switch_to.active_element.text == "One scan: s2"
    said = browser.find_element("id", "picked").text
    assert "I1–I3: 61.0 µm longer than the reference" in said
    browser.execute_script("document.getElementById('back').focus()")
    press(browser, Keys.ENTER)
    assert browser.switch_to.active_element.text.startswith("+61.0")
    press(browser, Keys.ARROW_DOWN)  # the scan without a result says why
    assert "failed: moisture" in tip.text
    assert len(browser.find_elements("css selector", ".map [tabindex='0']")) == 1
    press(browser, Keys.TAB)
    assert browser.switch_to.active_element.get_attribute("id") == "which"


def test_pairs_are_picked_filtered_and_sorted(browser, pages):
    from selenium.webdriver.common.keys import Keys

    show(browser, pages, "plain")
    button = browser.find_element("css selector", '#pairs tr[data-row="I1–I2"] button')
    button.send_keys(Keys.ENTER)
    assert "shorter than the reference" in browser.find_element("id", "picked").text
    assert browser.find_element("css selector", "#pairs tr.picked button").text == "I1–I2"
    head = browser.find_element("css selector", '#pairs th[data-key="distance_um"]')
    head.find_element("tag name", "button").click()
    assert head.get_attribute("aria-sort") == "descending"
    sizes = [abs(float(r[3].replace("−", "-"))) for r in rows(browser, "#pairs tbody tr")]
    assert sizes == sorted(sizes, reverse=True)
    browser.find_element("id", "filter").send_keys("I2")
    assert sorted(r[0] for r in rows(browser, "#pairs tbody tr")) == ["I1–I2", "I2–I3"]


def test_without_webgl_the_arch_is_drawn_from_above_and_the_table_has_every_number(browser, pages):
    show(browser, pages, "plain")
    assert not browser.find_elements("css selector", "#view canvas")
    assert "shows no 3D graphics" in browser.find_element("id", "view-note").text
    circles = browser.execute_script(
        "return [...document.querySelectorAll('#view svg circle')].map((c) => "
        "['cx', 'cy'].map((k) => Number(c.getAttribute(k))))"
    )
    (x1, y1), (x2, y2), (x3, y3) = circles  # I2 is ahead of I1 and I3, midway
    assert x1 < x2 < x3
    assert y2 < y1
    assert math.isclose(y1, y3, abs_tol=0.5)
    assert math.isclose((x3 - x1) / (y1 - y2), 40 / 9, rel_tol=0.01)
    own = content().singles.query("scan == 's1'")["vertical_um"]
    assert texts(browser, "#view svg .soft") == [printed(v, 1, True) for v in own]


def cut(browser):
    """What reaches beyond the window or its own box, every list unfolded."""
    return browser.execute_script(
        "document.querySelectorAll('details').forEach((d) => (d.open = true));"
        "const w = document.documentElement.clientWidth;"
        "return [document.documentElement.scrollWidth - w, ...[...document"
        ".querySelectorAll('body *')].filter((e) => !e.closest('.read, .skip, svg') && "
        "e.getBoundingClientRect().width > 2 && (e.getBoundingClientRect().right > w + 1 || "
        "e.getBoundingClientRect().left < -1 || "
        "(e.matches('.scroll, .block') && e.scrollWidth > e.clientWidth + 1)))"
        ".map((e) => e.outerHTML.slice(0, 90))]"
    )


@pytest.mark.parametrize("width", [390, 768, 1440])
def test_nothing_is_cut_and_the_page_is_accessible(browser, pages, width):
    axe = pytest.importorskip("axe_core_python").__name__
    show(browser, pages, "drift", width)
    assert cut(browser) == [0]
    browser.execute_script((resources.files(axe) / "axe.min.js").read_text())
    found = browser.execute_async_script(
        "const done = arguments[0]; axe.run({ resultTypes: ['violations'], selectors: false })"
        ".then((r) => done([r.violations.map((v) => [v.id, v.nodes[0].html.slice(0, 99)]), "
        "r.passes.map((p) => p.id)]))"
    )
    assert found[0] == []
    assert {"color-contrast", "button-name", "aria-required-children"} <= set(found[1])
    heads = browser.execute_script(
        "return [...document.querySelectorAll('h1, h2, h3')].filter((e) => e.offsetParent)"
        ".map((e) => Number(e.tagName[1]))"
    )
    assert heads[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(heads))


def test_charts_draw_the_points_limits_and_signals_of_the_tables(browser, pages):
    from selenium.webdriver.common.keys import Keys

    show(browser, pages, "drift")
    tables = drift().tables
    browser.execute_script(
        "const [c, m] = document.querySelectorAll('#chart-choices select');"
        "for (const [s, v] of [[c, 'session means'], [m, 'cross-arch distance']])"
        " { s.value = v; s.dispatchEvent(new Event('change')); }"
    )
    points = tables["drift_points"]
    wanted = points[(points["chart"] == "mean") & (points["measurand"] == "cross-arch distance")]
    panels = browser.find_elements("css selector", ".panel")
    assert len(panels) == wanted["device"].nunique()
    seen = False
    for panel, (device, mine) in zip(panels, wanted.groupby("device", sort=False), strict=True):
        assert panel.find_element("tag name", "h3").text == device
        drawn = browser.execute_script(
            "const box = (e) => { const b = e.getBBox(); return b.y + b.height / 2; };"
            "const p = arguments[0]; return [[...p.querySelectorAll('.point')].map((g) => "
            "[box(g.querySelector('.dot')), g.querySelector('.dot').getAttribute('class')]), "
            "[...p.querySelectorAll('.grid')].map((l, i) => [Number(l.getAttribute('y1')), "
            "p.querySelectorAll('text[text-anchor=end]')[i].textContent]), "
            "[...p.querySelectorAll('path.bound')].map((b) => Number(b.getAttribute('d')"
            ".split(/[ ML]/)[2])), p.querySelectorAll('.event').length]",
            panel,
        )
        marks, scale, bounds, n_events = drawn
        (y0, v0), (y1, v1) = ((y, float(t.replace("−", "-"))) for y, t in (scale[0], scale[-1]))
        assert (y0 > y1) == (v0 < v1)  # up is more
        mine = mine.sort_values("at")
        value = [v0 + (y - y0) * (v1 - v0) / (y1 - y0) for y, _ in marks]
        pixel = abs((v1 - v0) / (y1 - y0))
        np.testing.assert_allclose(value, mine["value"], atol=0.3 * pixel)
        at_left = [v0 + (y - y0) * (v1 - v0) / (y1 - y0) for y in bounds]
        first = mine.iloc[0]
        np.testing.assert_allclose(at_left, [first["lower"], first["upper"]], atol=0.3 * pixel)
        assert ["signal" in c for _, c in marks] == list(mine["signal"])
        hollow = [b and not s for b, s in zip(mine["baseline"], mine["signal"], strict=True)]
        assert ["base" in c for _, c in marks] == hollow
        events = tables["events"]
        during = events["at"].between(points["at"].min(), points["at"].max())
        assert n_events == int((during & events["device"].fillna("").isin(["", device])).sum())
        if mine["signal"].any():
            seen = True
            k = list(mine["signal"]).index(True)
            browser.execute_script("arguments[0].querySelector('.point').focus()", panel)
            press(browser, *[Keys.ARROW_RIGHT] * k)
            tip = browser.find_element("id", "tip").text.replace("\u00a0", " ")
            row = mine.iloc[k]
            day = pd.Timestamp(row["at"])
            numbers = [printed(row[c], 1, True) for c in ("value", "upper", "centre")]
            for part in (f"{row['session']}, {day.day} {day:%b %Y}", "signal", *numbers):
                assert part in tip
    assert seen


def test_a_label_is_never_a_program(browser, pages):
    show(browser, pages, "hostile")
    assert browser.execute_script("return window.hacked") is None
    assert not browser.find_elements("tag name", "img")
    assert texts(browser, "h1") == [f"A study{HOSTILE}"]
    assert f"s1{HOSTILE}" in texts(browser, ".map tbody th")
    assert f"failed: moisture{HOSTILE}" in texts(browser, "#without li")[0]
    assert any(HOSTILE in text for text in texts(browser, ".told td, .told th"))
    complaints = [e for e in browser.get_log("browser") if "WebGL" not in e["message"]]
    assert complaints == []


def test_a_surface_is_seen_whole_and_answers_to_pointer_and_keys(browser, pages):
    from selenium.webdriver.common.keys import Keys

    show(browser, pages, "plain", 390, webgl=True)
    assert cut(browser) == [0]
    view = browser.find_element("id", "view")
    assert browser.find_elements("css selector", "#view canvas")
    inside = browser.execute_script(
        "const v = arguments[0].getBoundingClientRect(); return [...document"
        ".querySelectorAll('#names span')].map((e) => e.getBoundingClientRect())"
        ".map((b) => [b.left >= v.left, b.right <= v.right, b.top >= v.top, "
        "b.bottom <= v.bottom].every(Boolean))", view
    )  # fmt: skip
    assert inside == [True] * 3
    name = browser.find_element("css selector", "#names span")
    x, y = browser.execute_async_script(  # the tip of the implant's axis is below its name
        "const [view, name, done] = arguments; view.scrollIntoView({ block: 'center' });"
        "requestAnimationFrame(() => requestAnimationFrame(() => {"
        "const b = name.getBoundingClientRect();"
        "done([b.left + b.width / 2, b.top + 1.6 * b.height]); }))", view, name
    )  # fmt: skip
    moved = {"type": "mouseMoved", "x": x, "y": y}
    browser.execute_cdp_cmd("Input.dispatchMouseEvent", moved)
    row = content().singles.query("scan == 's1' and implant == 'I1'").iloc[0]
    tip = browser.find_element("id", "tip").text.replace("\u00a0", " ")
    for way in ("mesiodistal", "buccolingual", "vertical"):
        assert f"{way} {printed(row[f'{way}_um'], 1, True)} µm" in tip
    before = name.get_attribute("style")
    view.send_keys(Keys.ARROW_RIGHT)
    assert name.get_attribute("style") != before
    shot = base64.b64decode(view.screenshot_as_base64)
    assert len(shot) > 3_000  # a picture, not an empty field
    complaints = [e for e in browser.get_log("browser") if e["level"] in ("SEVERE", "WARNING")]
    assert [c for c in complaints if "GPU stall" not in c["message"]] == []


ASK = Path(__file__).with_name("ask.js").read_text("utf-8")
KEYS = ["ArrowDown", "ArrowRight", "ArrowUp", "ArrowLeft", "End", "PageDown", "Home", "PageUp"]
INSIDE = (
    "window.inside = { fixed, number, quantity, ticks, months, colour, inkOn, arrowTo, compared, "
    "unique, day, plain, chartName, openScan, render, key, hover, "
    "get stage() { return stage; } };\n"
    "startCharts();\n"
)
"""What tests see of the functions of a page, which its scripts keep to themselves."""


def told(browser, pages):
    """What the scripts have drawn, say and do, in several states of the page."""

    def ask(name, *given):
        return browser.execute_script(f"{ASK}\nreturn {name}(...arguments)", *given)

    def every(css):
        for number in range(len(texts(browser, css))):
            for value in ask("options", css, number)[::-1]:
                ask("choose", css, number, value)
                yield f"{css} {number} {value}"

    for width in (390, 1440):
        show(browser, pages, "plain", width)
        yield f"plain {width}", ask("drawn", "#overview, #scan, #accuracy")
    yield "computed", ask("computed")
    yield "tips", ask("pointed", ".map td, .map tbody th, #view svg g")
    yield "scrolled", ask("scrolled", ".map td")
    yield "keys", ask("pressed", ".map td", KEYS)
    for table in ("#pairs", "#singles", "#accuracies"):
        yield f"sorted {table}", ask("sorted", table)
    for label in ("Next", "Next", "Next", "Previous"):
        ask("press", label)
        yield label, " | ".join(texts(browser, "#scan-title, #picked, #facts"))
    ask("window.inside.openScan", 1, "I1–I3")
    yield "a pair", ask("drawn", "#pairs, #picked, #view svg")
    ask("choose", "#scan-choices select", 1, "50")
    yield "arrows", ask("drawn", "#view svg, #view-note")
    for name in every("#map-choices select"):
        yield name, ask("drawn", ".map td, #legend, #map-note")
    for name in every("#map-choices input"):
        yield name, ask("drawn", "#maps")
    show(browser, pages, "tilted")
    ask("window.inside.openScan", 0, "I2–I3")
    yield "tilted", ask("drawn", "#view svg")
    for width in (1440, 390):
        show(browser, pages, "many", width)
        yield f"many {width}", ask("drawn", "#maps thead, #maps tr:nth-child(2), #maps h3")
        yield "folded", ask("drawn", "#maps summary")
    for n in (25, 41, 667):
        for width in (1440, 390):
            show(browser, pages, str(n), width)
            marks = "return [...document.querySelectorAll('#maps > *, .map')].map((e) => "
            yield (
                f"{n} scans {width}",
                "\n".join(
                    browser.execute_script(
                        f"{marks}`${{e.tagName}} ${{e.getAttribute('style')}} ${{e.rows?.length}}`)"
                    )
                ),
            )
    show(browser, pages, "lone")
    for k in (1, 2, 3):
        ask("window.inside.openScan", k)
        yield f"model without pairs {k}", ask("drawn", "#view svg, #picked, #facts")
    show(browser, pages, "fleet")
    yield "fleet", ask("drawn", "#panels, #chart-choices")
    ask("choose", "#chart-choices select", 0, "session means")
    yield "fleet, means", ask("drawn", "#panels")
    show(browser, pages, "several")
    yield "several", ask("drawn", "#map-choices, #maps h3, #accuracy-choices, #which, #facts")
    for name in every("#map-choices select"):
        yield name, " | ".join(texts(browser, "#maps h3"))
    yield "grid", browser.execute_script("return document.getElementById('maps').style.cssText")
    show(browser, pages, "drift")
    yield "tips of the charts", ask("pointed", ".point")
    yield "keys of the charts", ask("pressed", ".panel:first-child .point", KEYS)
    for value in ask("options", "#chart-choices select", 0):
        ask("choose", "#chart-choices select", 0, value)
        browser.execute_script(
            "document.querySelectorAll('details').forEach((d) => (d.open = true))"
        )
        yield f"charts {value}", ask("drawn", "#panels, #chart-note")
    ask("choose", "#chart-choices select", 2, "device B")
    yield "one device", ask("drawn", "#panels h3")
    browser.execute_script(
        "document.querySelectorAll('.point')[1].dispatchEvent(new Event('click'))"
    )
    yield "opened from a chart", " | ".join(texts(browser, "#scan-title, #facts"))


def test_the_solid_view_looks_as_approved(browser, pages):
    """As a coarse picture, before and after a turn; what it consists of: see the next test."""
    show(browser, pages, "plain", 390, webgl=True)
    seen = []
    for keys in ("", "ArrowLeft"):
        for key in [keys] * 2 if keys else []:
            browser.execute_script("inside.key({ key: arguments[0], preventDefault() {} })", key)
        browser.execute_async_script("requestAnimationFrame(() => arguments[0]())")
        shot = browser.execute_script(
            "inside.openScan(0, 'I1–I2'); inside.render();"
            "return document.querySelector('#view canvas').toDataURL('image/png')"
        )
        with Image.open(io.BytesIO(base64.b64decode(shot.split(",")[1]))) as whole:
            small = whole.convert("RGB").resize((40, 30), Image.Resampling.BOX)
        seen.append(np.asarray(small, dtype=np.int16))
    found, file = np.vstack(seen), Path(__file__).with_name("solid.png")
    assert np.ptp(found[:30].reshape(-1, 3), axis=0).min() > 40  # a picture, not an empty field
    if os.environ.get("APPROVE"):
        Image.fromarray(found.astype(np.uint8)).save(file, optimize=True)
    with Image.open(file) as approved:
        off = np.abs(found - np.asarray(approved, dtype=np.int16))
    assert (off.max(), off.mean()) < (12, 0.2)
    assert off.mean() < 0.2


def test_the_solid_view_consists_of_what_is_approved(browser, pages):
    """Shapes, paints and places, as text, after each of some keys, and what the pointer finds."""
    show(browser, pages, "plain", 390, webgl=True)
    ask = f"{ASK}\nreturn scene()"
    found = [browser.execute_script(ask)]
    for keys in ("ArrowLeft", "ArrowUp", "+", "=", "-", "ArrowDown", "ArrowRight", "x"):
        for key in [keys] * (9 if keys.startswith("Arrow") else 1):
            browser.execute_script("inside.key({ key: arguments[0], preventDefault() {} })", key)
        seen = browser.execute_script(ask).splitlines()
        found.append("\n".join([keys, *seen[:2], *seen[-3:]]))
    browser.execute_script("inside.openScan(1, 'I1–I2'); inside.openScan(0, 'I1–I3')")
    found.append(browser.execute_script(ask))
    found.append(browser.execute_script(f"{ASK}\nreturn hovered()"))
    browser.execute_script(f"{ASK}\nchoose('#scan-choices input[type=checkbox]', 0)")
    found.append(browser.execute_script(ask))
    for name in ("deep", "long"):  # where the foot and the head of the view are reached first
        show(browser, pages, name, 390, webgl=True)
        found.append(f"{name}\n" + "\n".join(browser.execute_script(ask).splitlines()[:2]))
    compare(Path(__file__).with_name("scene.txt"), "\n\n".join(found) + "\n")


def test_pages_are_drawn_anew_when_the_window_becomes_narrow(browser, pages):
    narrow = {"width": 390, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    for name, css in (("plain", "#maps, #view svg"), ("drift", "#panels")):
        show(browser, pages, name, 390)
        ask = f"{ASK}\nreturn drawn(arguments[0])"
        wanted = browser.execute_script(ask, css)
        show(browser, pages, name, 1440)
        assert browser.execute_script(ask, css) != wanted
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", narrow)
        browser.execute_async_script(
            "requestAnimationFrame(() => requestAnimationFrame(() => arguments[0]()))"
        )
        assert browser.execute_script(ask, css) == wanted


def test_what_the_scripts_draw_is_as_approved(typeset, pages):
    """As tests/reports/test_approved.py."""
    parts = [f"== {name}\n{drawn}" for name, drawn in told(typeset, pages)]
    compare(Path(__file__).with_name("drawn.txt"), "\n".join(parts) + "\n")
