"""The panel's page in a headless Chromium, without JupyterLab: form, weighings, names, keys."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from panel_page import CHROMIUM, PanelPage, chromium, panel_page
from playwright.sync_api import Browser, expect

from hotbench.core.records import Extrusion, RunInfo, Sample
from hotbench.store.reader import read_run
from hotbench.store.writer import RunWriter

RUN = "extrude-1"
MACHINE = "hotbench_machine: 1\nlimit_temperature_C: 230\n"
WATCHFUL = "hotbench_machine: 1\nwatch: {fastest_K_per_s: 0.5, jump_K: 0.5}\n"

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on the path"),
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as started:
        yield started


@pytest.fixture
def bridge(browser: Browser, tmp_path: Path) -> Iterator[PanelPage]:
    written(tmp_path / RUN)
    with panel_page(browser, tmp_path) as made:
        yield made


def written(folder: Path) -> None:
    """A run of three extrusions whose masses are missing."""
    created = "2026-03-04T05:06:07Z"
    writer = RunWriter(folder, RunInfo(run_id=RUN, procedure="extrude", created=created))
    writer.on_sample(Sample(0.0, 220.0))
    for flow in (2.0, 6.0, 10.0):
        writer.on_extrusion(Extrusion(220.0, flow, 100.0))
    writer.close()


def masses(bridge: PanelPage) -> list[float | None]:
    folder = bridge.panel.session.root / RUN
    return [shot.delivered_mass_g for shot in read_run(folder).extrusions]


def focused(bridge: PanelPage) -> str:
    return str(bridge.page.evaluate("document.activeElement.getAttribute('aria-label') ?? ''"))


def test_weighings_are_entered_by_keyboard_alone(bridge: PanelPage) -> None:
    page = bridge.page
    page.get_by_role("button", name=f"enter weighings of run {RUN}").press("Enter")
    bridge.until(lambda: bool(bridge.panel.entries))
    page.get_by_label("mass in g of extrusion 1, 220 °C, 2.00 mm³/s").focus()
    page.keyboard.type("0,29")
    page.keyboard.press("Enter")
    bridge.until(lambda: masses(bridge)[0] == 0.29)
    assert "extrusion 2" in focused(bridge)

    page.keyboard.type("2.9")
    page.keyboard.press("Enter")
    bridge.until(lambda: bool(bridge.panel.entries["doubt"]["remark"]))
    assert "extrusion 2" in focused(bridge)
    assert page.locator("[aria-invalid=true]").get_attribute("aria-describedby") == "hb-doubt"
    assert "is not near" in page.locator("#hb-doubt").inner_text()
    page.keyboard.type("0.28")
    page.keyboard.press("Tab")
    bridge.until(lambda: masses(bridge)[1] == 0.28)

    page.get_by_role("button", name="leave extrusion 2 out").press("Enter")
    page.keyboard.type("a string at the nozzle")
    page.keyboard.press("Enter")
    bridge.until(lambda: masses(bridge)[1] is None)
    assert "left out: a string at the nozzle" in page.locator(".hb-weigh").last.inner_text()
    page.get_by_role("button", name="give extrusion 2 back").press("Enter")
    bridge.until(lambda: masses(bridge)[1] == 0.28)
    page.get_by_role("button", name="Undo the last change").press("Enter")
    bridge.until(lambda: masses(bridge)[1] is None)
    page.get_by_role("button", name="Close").press("Enter")
    bridge.until(lambda: not bridge.panel.entries)
    assert not page.locator("section[aria-label='values measured later']").is_visible()


def test_masses_left_for_later_bring_their_form_when_the_test_ends(
    browser: Browser, tmp_path: Path
) -> None:
    with panel_page(browser, tmp_path) as bridge:
        page = bridge.page
        page.get_by_label("test", exact=True).select_option("extrude")
        page.get_by_label("temperatures").fill("220")
        page.get_by_label("flows to try at each temperature").fill("5")
        page.get_by_label("filament per extrusion").fill("20")
        page.get_by_label("pace of the simulation").select_option("0")
        page.get_by_label("masses").select_option("later")
        bridge.until(lambda: "220" in str(bridge.panel.plan.get("lines")))
        page.get_by_role("button", name="Start").press("Enter")
        bridge.until(lambda: bridge.panel.status["state"] == "done" and bool(bridge.panel.entries))
        assert page.locator("input[data-extrusion]").count() == bridge.panel.entries["pending"] > 0
        assert page.locator(".hb-weigh:visible").count() == 1


def test_machine_file_and_profile_are_fields_that_the_plan_follows(
    bridge: PanelPage, tmp_path: Path
) -> None:
    page, panel = bridge.page, bridge.panel
    (tmp_path / "m.yaml").write_text(MACHINE)
    page.get_by_text("Machine and material").press("Enter")
    page.get_by_label("machine file").fill(str(tmp_path / "m.yaml"))
    bridge.until(lambda: "230" in str(panel.plan.get("error")))
    page.get_by_label("highest setpoint allowed").fill("245")
    bridge.until(lambda: bool(panel.plan.get("lines")))
    page.get_by_label("profile to expect").fill("nowhere.yaml")
    bridge.until(lambda: "nowhere.yaml" in str(panel.plan.get("error")))
    assert "nowhere.yaml" in page.locator(".hb-plan").inner_text()
    assert page.get_by_role("button", name="Start").is_disabled()


def test_the_machine_files_watch_ends_a_test_and_the_page_says_what_to_do(
    bridge: PanelPage, tmp_path: Path
) -> None:
    page, panel = bridge.page, bridge.panel
    (tmp_path / "m.yaml").write_text(WATCHFUL)
    page.get_by_text("Machine and material").click()
    page.get_by_label("machine file").fill(str(tmp_path / "m.yaml"))
    page.get_by_label("pace of the simulation").select_option("0")
    bridge.until(lambda: bool(panel.plan.get("lines")))
    page.get_by_role("button", name="Start").click()
    bridge.until(lambda: panel.status["state"] == "fell short")
    said = page.locator(".hb-say").inner_text()
    assert "Watch: sensor implausible" in said
    assert "Heater off" in said
    assert "run the check" in said


def test_a_kernel_that_does_not_answer_is_told_until_it_does(bridge: PanelPage) -> None:
    page, notice = bridge.page, bridge.page.locator(".hb-say .hb-notice")
    page.clock.install()
    page.get_by_role("button", name=f"show run {RUN}").click()
    page.clock.fast_forward(5_000)
    assert notice.inner_text() == ""
    page.clock.fast_forward(2_000)
    assert "does not answer" in notice.inner_text()
    assert "run this cell again" in notice.inner_text()
    page.clock.resume()
    bridge.until(lambda: notice.inner_text() == "")


def test_a_kernel_whose_line_was_cut_is_asked_at_once(bridge: PanelPage) -> None:
    page, notice = bridge.page, bridge.page.locator(".hb-say .hb-notice")
    page.clock.install()
    page.evaluate("window.fromKernel([['comm_live_update', false, '']])")
    page.clock.fast_forward(2_100)
    assert "run this cell again" in notice.inner_text()
    assert page.locator(".hb-state").inner_text() == "No answer"
    page.clock.resume()
    bridge.until(lambda: page.locator(".hb-state").inner_text() == "Ready")


def test_a_reading_that_grows_old_says_so(bridge: PanelPage) -> None:
    page, panel = bridge.page, bridge.panel
    reads = page.locator(".hb-reads")
    page.clock.install()
    bridge.until(lambda: bool(panel.plan.get("lines")))
    page.get_by_role("button", name="Start").click()
    bridge.until(lambda: len(panel.session.samples()[0]) > 3)
    assert "s ago" not in reads.inner_text()
    page.clock.fast_forward(4_000)  # nothing is handed over meanwhile
    expect(reads).to_contain_text(re.compile(r"read [45] s ago"))
    bridge.until(lambda: "s ago" not in reads.inner_text())


def test_a_mass_that_is_no_mass_stays_in_its_field_beside_the_reason(
    browser: Browser, tmp_path: Path
) -> None:
    with panel_page(browser, tmp_path) as bridge:
        page = bridge.page
        page.get_by_label("test", exact=True).select_option("extrude")
        page.get_by_label("temperatures").fill("220")
        page.get_by_label("flows to try at each temperature").fill("5")
        page.get_by_label("filament per extrusion").fill("20")
        page.get_by_label("pace of the simulation").select_option("0")
        page.get_by_label("masses").select_option("by hand")
        bridge.until(lambda: "220" in str(bridge.panel.plan.get("lines")))
        page.get_by_role("button", name="Start").press("Enter")
        field = page.locator(".hb-ask input")
        bridge.until(lambda: field.count() == 1)
        page.keyboard.type("59")
        page.keyboard.press("Enter")
        bridge.until(lambda: "if these were mg" in page.locator(".hb-weigh").first.inner_text())
        assert field.input_value() == "59"
        assert field.get_attribute("aria-invalid") == "true"
        page.keyboard.type("0.059")  # what stands there is selected
        page.keyboard.press("Enter")
        bridge.until(lambda: "0.059" in page.locator(".hb-weigh").first.inner_text())
        bridge.until(lambda: "extrusion 2" in page.locator(".hb-weigh h4").first.inner_text())
        assert field.input_value() == ""
        page.keyboard.press("Escape")
        bridge.until(lambda: bridge.panel.status["state"] == "stopped")


UNFOLD = "document.querySelectorAll('details').forEach((part) => { part.open = true; })"
NAMELESS = """
() => [...document.querySelectorAll("button, input, select, summary, canvas")]
  .filter((node) => !node.disabled && node.checkVisibility())
  .filter((node) => !(node.getAttribute("aria-label") || node.labels?.[0]?.textContent.trim()
                      || node.textContent.trim()))
  .map((node) => node.outerHTML)
"""
CLIPPED = """
() => [...document.querySelectorAll(".hb-panel *")]
  .filter((node) => node.checkVisibility() && !node.closest(".hb-aside, .hb-scroll"))
  .filter((node) => node.getBoundingClientRect().right > document.documentElement.clientWidth + 1)
  .map((node) => node.outerHTML.slice(0, 200))
"""


@pytest.mark.parametrize("width", [900, 420])
def test_every_control_has_a_name_and_nothing_runs_out_of_the_cell(
    width: int, browser: Browser, tmp_path: Path
) -> None:
    with panel_page(browser, tmp_path, width=width) as bridge:
        page = bridge.page
        for test in bridge.panel.catalogue:
            page.get_by_label("test", exact=True).select_option(test["name"])
            page.evaluate(
                "for (const part of document.querySelectorAll('details')) part.open = true"
            )
            assert page.evaluate(NAMELESS) == []
            assert page.evaluate(CLIPPED) == []


OVERFLOWING = """
() => [...document.querySelectorAll(".hb-scroll")]
  .filter((node) => node.checkVisibility() && node.scrollWidth > node.clientWidth + 1)
  .map((node) => node.innerText)
"""


def test_tables_and_their_buttons_fit_a_narrow_cell(browser: Browser, tmp_path: Path) -> None:
    written(tmp_path / RUN)
    with panel_page(browser, tmp_path, width=480) as bridge:
        page = bridge.page
        page.get_by_role("button", name=f"enter weighings of run {RUN}").click()
        bridge.until(lambda: page.locator("input[data-extrusion]").count() == 3)
        page.locator("input[data-extrusion='1']").fill("0.29")
        page.keyboard.press("Tab")
        bridge.until(lambda: page.get_by_role("button", name="leave extrusion 1 out").count() == 1)
        assert page.evaluate(OVERFLOWING) == []


def test_no_earlier_run_takes_the_chart_from_a_running_test(bridge: PanelPage) -> None:
    page, panel = bridge.page, bridge.panel
    bridge.until(lambda: bool(panel.plan.get("lines")))
    page.get_by_role("button", name=f"show run {RUN}").click()
    bridge.until(lambda: "Earlier run" in page.locator(".hb-state").inner_text())
    page.get_by_role("button", name="Start").click()
    bridge.until(lambda: len(panel.session.samples()[0]) > 3)
    bridge.until(lambda: page.get_by_role("button", name=f"show run {RUN}").is_disabled())
    assert page.locator(".hb-state").inner_text() == "Running"
    page.keyboard.press("Escape")
    bridge.until(lambda: panel.status["state"] == "stopped")
    assert page.get_by_role("button", name=f"show run {RUN}").is_enabled()
    assert "last measured" in page.locator(".hb-reads").inner_text()


def colours(bridge: PanelPage) -> Any:
    style = "getComputedStyle(document.querySelector('.hb-panel'))"
    return bridge.page.evaluate(f"[{style}.color, {style}.backgroundColor]")


def test_the_theme_follows_the_lab(bridge: PanelPage) -> None:
    bridge.theme("light")
    light = colours(bridge)
    bridge.theme("dark")
    assert colours(bridge) != light


MARK = """
() => [getComputedStyle(document.querySelector(".hb-state"), "::before").backgroundColor,
       getComputedStyle(document.querySelector(".hb-chart canvas")).backgroundColor]
"""


def test_forced_colours_keep_the_charts_ground_and_the_mark_of_a_running_test(
    bridge: PanelPage,
) -> None:
    page, panel = bridge.page, bridge.panel
    page.emulate_media(forced_colors="active", color_scheme="dark")
    bridge.until(lambda: bool(panel.plan.get("lines")))
    idle, ground = page.evaluate(MARK)
    assert ground == "rgb(22, 28, 33)"  # as dark as the colours that the person forces
    page.get_by_role("button", name="Start").click()
    bridge.until(lambda: len(panel.session.samples()[0]) > 3)
    running, _ = page.evaluate(MARK)
    page.keyboard.press("Escape")
    bridge.until(lambda: panel.status["state"] == "stopped")
    stopped, _ = page.evaluate(MARK)
    assert stopped == idle != running
