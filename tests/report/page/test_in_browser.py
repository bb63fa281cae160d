import base64
import shutil
import subprocess
from dataclasses import replace

import pytest
from browser import IS_THERE, browser
from large_run import a_large_run

from cornerrun.report.page.run_page import write_page

pytestmark = pytest.mark.skipif(not IS_THERE, reason="no chromium with chromedriver on this machine")

HOSTILE = (
    '</script><script>document.title="owned"</script><img src=x onerror="document.title=\'owned\'">&amp;"\'\x07=1+1'
)


def swept(data, sweeps):
    """Visit every corner many times; it fails where it does in the last few sweeps only."""
    good = data.visits[0]
    visits = []
    for sweep in range(sweeps):
        for record in data.visits:
            made = (
                record if sweep >= sweeps - 5 else replace(good, visit=replace(good.visit, corner=record.visit.corner))
            )
            visits.append(replace(made, visit=replace(made.visit, ordinal=len(visits), repeat=sweep)))
    return replace(data, visits=tuple(visits))


@pytest.fixture(scope="module")
def driver(tmp_path_factory):
    with browser(tmp_path_factory.mktemp("profile")) as driver:
        yield driver


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    large = a_large_run()
    write_page(large, folder / "large.html")
    write_page(a_large_run(rails=6, corners=14), folder / "short.html")
    write_page(swept(a_large_run(rails=6, corners=8), 40), folder / "swept.html")
    first = large.visits[1]
    bad = replace(
        first,
        visit=replace(first.visit, reason=HOSTILE),
        trials=tuple(replace(trial, output=HOSTILE, reason=HOSTILE) for trial in large.visits[0].trials),
        readings=tuple(replace(item, reason=HOSTILE, level=HOSTILE) for item in first.readings),
    )
    run = replace(large.run, serial=HOSTILE, operator=HOSTILE, why=HOSTILE + "A" * 100_000)
    write_page(replace(large, run=run, visits=(large.visits[0], bad)), folder / "hostile.html")
    return folder


@pytest.fixture
def large(driver, pages):
    driver.get((pages / "large.html").as_uri())
    return driver


def test_64_rails_by_130_corners_open_within_two_seconds(large):
    took_ms = large.execute_script("return performance.getEntriesByType('navigation')[0].loadEventEnd")
    assert 0 < took_ms < 2000
    assert large.execute_script("return document.querySelectorAll('#corners tbody tr').length") == 130
    assert not [line for line in large.get_log("browser") if line["level"] == "SEVERE"]


def test_nothing_is_asked_of_any_network(large):
    assert large.execute_script("return performance.getEntriesByType('resource').length") == 0


def test_a_click_on_a_visit_shows_its_readings_traces_and_checks(large):
    large.execute_script("document.querySelector('tr[data-outcome=\"fail-functional\"] button.v').click()")
    panel = large.find_element("id", "visit")
    assert panel.is_displayed()
    shown = panel.text
    assert "fail-functional" in shown
    assert "VRAIL_63" in shown
    assert "word 17 differs" in shown
    assert "suite.py::test_0" in shown
    assert large.execute_script("return document.querySelectorAll('#visit .traces polyline').length") > 10


def test_a_distance_of_nothing_has_no_sign(large):
    large.execute_script("document.querySelectorAll('#corners button.v')[1].click()")
    shown = large.find_element("id", "visit").text
    assert " 0.00 mV" in shown
    assert "-0.00 mV" not in shown


def test_escape_closes_the_visit_and_gives_the_focus_back(large):
    from selenium.webdriver.common.keys import Keys

    button = large.find_element("css selector", "tr.is-failed button.v")
    large.execute_script("arguments[0].focus()", button)
    button.send_keys(Keys.ENTER)
    assert large.find_element("id", "visit").is_displayed()
    assert large.switch_to.active_element.text == "Close"
    large.switch_to.active_element.send_keys(Keys.ESCAPE)
    assert not large.find_element("id", "visit").is_displayed()
    assert large.switch_to.active_element == button


def test_the_map_is_one_stop_of_the_tab_key_and_arrows_go_on(large):
    from selenium.webdriver.common.keys import Keys

    stops = "return [...document.querySelectorAll('#corners button.v')].filter((b) => b.tabIndex === 0).length"
    assert large.execute_script(stops) == 1
    first = large.find_element("css selector", "#corners button.v[tabindex='0']")
    large.execute_script("arguments[0].focus()", first)
    first.send_keys(Keys.ARROW_DOWN)
    assert large.switch_to.active_element.get_attribute("data-visit") == "1"
    large.switch_to.active_element.send_keys(Keys.END)
    assert large.switch_to.active_element.get_attribute("data-visit") == "129"
    assert large.execute_script(stops) == 1


def test_filters_leave_the_corners_asked_for_and_say_how_many(large):
    boxes = large.find_elements("css selector", ".map-outcome")
    for box in boxes:
        if box.get_attribute("value") != "tripped":
            box.click()
    visible = "return [...document.querySelectorAll('#corners tbody tr')].filter((r) => !r.hidden)"
    words = large.execute_script(visible + ".map((r) => r.dataset.outcome)")
    assert words
    assert set(words) == {"tripped"}
    assert large.find_element("id", "map-count").text == f"{len(words)} of 130 corners"
    large.find_element("id", "map-find").send_keys("no such corner")
    assert large.execute_script(visible + ".length") == 0
    assert large.find_element("id", "map-none").is_displayed()
    large.find_element("id", "map-reset").click()
    assert large.execute_script(visible + ".length") == 130


def test_the_rail_filter_leaves_corners_that_move_it(large):
    large.execute_script(
        "const s = document.getElementById('map-rail'); s.value = '3'; s.dispatchEvent(new Event('change'))"
    )
    off = large.execute_script(
        "return [...document.querySelectorAll('#corners tbody tr')].filter((r) => !r.hidden).map((r) => r.dataset.off)"
    )
    assert 0 < len(off) < 130
    assert all("3" in item.split() for item in off)


def test_colours_follow_the_system_and_the_switch(large):
    ground = "return getComputedStyle(document.body).backgroundColor"
    seen = {}
    for scheme in ("light", "dark"):
        large.execute_cdp_cmd(
            "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
        )
        seen[scheme] = large.execute_script(ground)
    assert seen["light"] != seen["dark"]
    button = large.find_element("id", "theme")
    button.click()
    assert "light" in button.text
    assert large.execute_script(ground) == seen["light"]
    button.click()
    large.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
    assert large.execute_script(ground) == seen["dark"]
    button.click()


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext on this machine")
def test_in_print_every_corner_stands_with_outcome_and_rails_on_every_page_of_the_map(large, tmp_path):
    printed = large.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True, "printBackground": True})
    path = tmp_path / "page.pdf"
    path.write_bytes(base64.b64decode(printed["data"]))
    text = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True, text=True).stdout
    assert "FAIL" in text
    assert all(f"corner {index:03d}" in text for index in range(130))
    sheets = [sheet for sheet in text.split("\f") if "Least margin" in sheet]
    assert len(sheets) >= 3
    assert "Show all" not in text
    rows = "return [...document.querySelectorAll('main details')].map(one => one.querySelectorAll('tr').length)"
    assert text.count("too long to print here") == sum(count > 200 for count in large.execute_script(rows)) > 0
    size = subprocess.run(["pdfinfo", str(path)], capture_output=True, check=True, text=True).stdout
    assert "A4" in size


def test_what_is_folded_prints_open_where_it_is_short_and_is_folded_again_after_that(driver, pages, tmp_path):
    driver.get((pages / "short.html").as_uri())
    folded = "return document.querySelectorAll('main details:not([open])').length"
    before = driver.execute_script(folded)
    assert before > 2
    printed = driver.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True, "printBackground": True})
    path = tmp_path / "short.pdf"
    path.write_bytes(base64.b64decode(printed["data"]))
    text = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True, text=True).stdout
    assert "Gain error" in text, "a heading of a table that is folded on the screen"
    assert "too long to print" not in text
    sheet = next(sheet for sheet in text.split("\f") if "Corners\n" in sheet)
    assert "Least margin" in sheet, "the map begins where its heading stands"
    assert driver.execute_script(folded) == before


def test_many_visits_of_a_corner_are_folded_those_that_passed_first(driver, pages, tmp_path):
    driver.get((pages / "swept.html").as_uri())
    row = "document.querySelector('#corners tr.is-failed')"
    buttons = f"[...{row}.querySelectorAll('button.v')]"
    shown = f"return {buttons}.filter(one => one.checkVisibility()).map(one => one.textContent)"
    told = driver.execute_script(shown)
    assert (told.count("■"), told.count("●")) == (5, 15)
    assert told[-5:] == ["■"] * 5, "in order of time"
    assert driver.execute_script(f"return {row}.querySelector('summary').textContent") == "and 20 more, all pass"
    printed = driver.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True, "printBackground": True})
    path = tmp_path / "swept.pdf"
    path.write_bytes(base64.b64decode(printed["data"]))
    text = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True, text=True).stdout
    assert "and 20 more, all pass" in " ".join(text.split())
    assert "too long to print" not in text
    # Arrows pass over what is folded; opening it opens no visit, and then they go there.
    right = "new KeyboardEvent('keydown', {key: 'ArrowRight', bubbles: true})"
    step = f"const v = {buttons}; v[19].focus(); v[19].dispatchEvent({right}); return v.indexOf(document.activeElement)"
    assert driver.execute_script(step) == -1
    driver.execute_script(f"{row}.querySelector('summary').click()")
    assert not driver.find_element("id", "visit").is_displayed()
    assert len(driver.execute_script(shown)) == 40
    assert driver.execute_script(step) == 20


def test_text_of_boards_and_checks_is_never_read_as_markup(driver, pages):
    driver.get((pages / "hostile.html").as_uri())
    assert driver.title != "owned"
    driver.execute_script("document.querySelectorAll('#corners button.v')[1].click()")
    assert driver.title != "owned"
    shown = driver.find_element("id", "visit").get_attribute("textContent")
    assert "</script><script>document.title" in shown
    assert driver.execute_script("return document.querySelectorAll('img').length") == 0
    assert driver.execute_script("return document.querySelectorAll('script').length") == 2
    assert driver.execute_script("return document.documentElement.scrollWidth <= innerWidth + 1")
