"""The bench panel in a real headless Chromium: start, watch, stop, reload, find the run again."""

import base64
import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from lab_page import (
    PATIENCE_ms,
    Lab,
    jupyter_lab,
    open_and_run,
    panel_of,
    patient_page,
    run_all,
    samples,
    start,
)
from panel_page import CHROMIUM
from playwright.sync_api import Locator, Page, expect

from hotbench.bench.panel import STATIC

SOON_s = 3.0
"""Until the page says stopped: heater off, confirmed by the board, run closed, page told."""
ACTS_WITHIN_s = 0.3
"""From the press until the heater's target 0 is on its way to the board and in the record."""
SHOTS = os.environ.get("HOTBENCH_SCREENSHOTS")

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on the path"),
]


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[Lab]:
    with jupyter_lab(tmp_path) as made:
        yield made


@pytest.fixture
def page() -> Iterator[Page]:
    with patient_page() as made:
        yield made


def seconds_until_stopped(panel: Locator) -> float:
    asked_s = time.monotonic()
    expect(panel).to_have_attribute("data-state", "stopped", timeout=PATIENCE_ms)
    return time.monotonic() - asked_s


def seconds_until_off(folder: Path, before: int) -> float:
    """From now until the record holds another command that switches the heater off."""
    asked_s = time.monotonic()
    while switched_off(folder) <= before:
        assert time.monotonic() - asked_s < SOON_s
        time.sleep(0.005)
    return time.monotonic() - asked_s


def switched_off(folder: Path) -> int:
    return (folder / "events.csv").read_text("utf-8").count("M104 S0")


def save(page: Page) -> None:
    page.get_by_role("menuitem", name="File", exact=True).click()
    page.locator(".lm-Menu-itemLabel").get_by_text("Save Notebook", exact=True).click()
    page.wait_for_timeout(1500)


def reload(page: Page) -> None:
    page.reload()
    page.locator(".jp-Notebook").wait_for()
    page.wait_for_timeout(2000)


def expect_growth(page: Page, panel: Locator, beyond: int) -> None:
    """The chart goes on: more readings than before, and still more a little later."""
    expect(panel).to_have_attribute("data-state", "running", timeout=PATIENCE_ms)
    page.wait_for_timeout(1500)
    first = samples(panel)
    page.wait_for_timeout(1500)
    assert samples(panel) > first > beyond


def restart_kernel(page: Page) -> None:
    page.get_by_role("menuitem", name="Kernel", exact=True).click()
    page.locator(".lm-Menu-itemLabel").get_by_text("Restart Kernel…", exact=True).click()
    page.get_by_role("button", name="Confirm Kernel Restart").click()
    page.wait_for_timeout(3000)


def keep_busy(page: Page, seconds: int) -> None:
    """The kernel's main thread works on something else, as during a long fit."""
    page.locator(".jp-CodeCell .cm-content").last.click()
    page.keyboard.press("Control+a")
    page.keyboard.type(f"import time; time.sleep({seconds})")
    page.keyboard.press("Control+Enter")
    page.wait_for_timeout(1500)


def shot(page: Page, name: str) -> None:
    """A picture for people, only where a folder for it is named."""
    if SHOTS:
        Path(SHOTS).mkdir(parents=True, exist_ok=True)
        page.screenshot(path=str(Path(SHOTS) / f"{name}.png"))


def dark(page: Page) -> None:
    page.get_by_role("menuitem", name="Settings", exact=True).click()
    page.locator(".lm-Menu-itemLabel").get_by_text("Theme", exact=True).hover()
    page.locator(".lm-Menu-itemLabel").get_by_text("JupyterLab Dark", exact=True).click()
    page.locator("body[data-jp-theme-light='false']").wait_for(state="attached")


def test_start_watch_stop_reload_and_find_the_run(page: Page, lab: Lab) -> None:
    panel = open_and_run(page, lab)
    expect(panel.get_by_role("button", name="Start")).to_be_enabled(timeout=PATIENCE_ms)
    shot(page, "plan-light")

    start(page, panel)
    first = samples(panel)
    page.wait_for_timeout(3000)
    assert samples(panel) > first + 15  # 10 a second are recorded
    shot(page, "running-light")

    assert page.evaluate("document.activeElement.classList.contains('hb-stop')")
    folder = lab.folder / "bench-runs" / "step-1"
    before = switched_off(folder)
    page.keyboard.press("Escape")
    assert seconds_until_off(folder, before) < ACTS_WITHIN_s
    assert seconds_until_stopped(panel) < SOON_s

    reload(page)
    run_all(page)
    panel = panel_of(page)
    panel.get_by_role("button", name="show run step-1").click()
    expect(panel.locator(".hb-say")).to_contain_text("step-1")
    expect(panel.locator("canvas")).to_have_attribute(
        "data-samples", str(len((folder / "samples.csv").read_text().splitlines()) - 1)
    )
    dark(page)
    page.wait_for_timeout(500)
    panel.locator("canvas").scroll_into_view_if_needed()
    shot(page, "found-dark")


def test_a_closed_or_reloaded_page_finds_the_running_test_and_a_new_kernel_its_record(
    page: Page, lab: Lab
) -> None:
    panel = open_and_run(page, lab)
    start(page, panel)
    page.wait_for_timeout(2000)
    save(page)

    seen = samples(panel)
    reload(page)  # saved with its outputs: the panel comes back by itself
    panel = panel_of(page)
    panel.wait_for()
    expect_growth(page, panel, seen)

    seen = samples(panel)
    run_all(page)  # the same two lines again: a new panel at the same bench
    page.wait_for_timeout(3000)
    panel = panel_of(page)
    expect_growth(page, panel, seen)
    shot(page, "reattached-light")

    folder = lab.folder / "bench-runs" / "step-1"
    before = switched_off(folder)
    panel.get_by_role("button", name="Stop", exact=True).click()
    assert seconds_until_off(folder, before) < ACTS_WITHIN_s
    expect(panel).to_have_attribute("data-state", "stopped", timeout=PATIENCE_ms)

    panel.get_by_text("Choose a test", exact=True).click()
    start(page, panel)
    page.wait_for_timeout(2000)
    expect(page.locator(".hb-stored")).to_be_hidden()
    save(page)
    restart_kernel(page)
    expect(panel.locator(".hb-say")).to_contain_text("does not answer")
    reload(page)  # nobody answers for the panel any more
    expect(page.locator(".hb-stored")).to_contain_text("run this cell again")
    expect(page.locator(".hb-stored")).to_contain_text("step-1")
    expect(page.locator(".hb-stored")).to_be_visible()
    run_all(page)
    panel = panel_of(page)
    panel.get_by_role("button", name="show run step-2").click(timeout=PATIENCE_ms)
    expect(panel.locator(".hb-say")).to_contain_text("step-2")
    events = (lab.folder / "bench-runs" / "step-2" / "events.csv").read_text("utf-8")
    assert any("M104 S0" in line for line in events.splitlines()[-5:])


def test_the_stop_works_while_the_kernel_is_busy_and_the_panel_out_of_sight(
    page: Page, lab: Lab
) -> None:
    panel = open_and_run(page, lab)
    start(page, panel)
    keep_busy(page, 30)
    page.locator(".jp-WindowedPanel-outer").evaluate("outer => (outer.scrollTop = 0)")
    page.get_by_role("button", name="Stop the test").click()
    assert seconds_until_stopped(panel) < SOON_s


DRAW_AN_HOUR = """
async ([source, count]) => {
  const { Chart, Trace } = await import(`data:text/javascript;base64,${source}`);
  const trace = new Trace();
  const flat = new Float64Array(5 * count);
  const expected = new Float64Array(count);
  for (let i = 0; i < count; i += 1) {
    flat[i] = i / 20;
    flat[count + i] = expected[i] = 200 + 20 * Math.sin(i / 900) + Math.sin(i * 1.7);
    flat[2 * count + i] = 200 + 20 * Math.sign(Math.sin(i / 900));
    flat[3 * count + i] = 0.5 + 0.4 * Math.sin(i * 0.9);
    flat[4 * count + i] = (i >> 13) % 2;
  }
  trace.put(0, count, new DataView(flat.buffer));
  trace.predict(0, new DataView(expected.buffer), 1.0);
  const chart = new Chart(document.querySelector("canvas"), document.body, trace);
  const taken = [];
  for (let k = 0; k < 9; k += 1) { chart.draw(); taken.push(chart.drawMs); }
  return taken.sort((a, b) => a - b)[4];
}
"""


def test_an_hour_at_twenty_samples_a_second_redraws_within_50_ms(page: Page) -> None:
    page.set_content("<canvas style='width: 1000px; height: 380px'></canvas>")
    source = base64.b64encode((STATIC / "panel.js").read_bytes()).decode()
    assert page.evaluate(DRAW_AN_HOUR, [source, 72_000]) < 50.0
