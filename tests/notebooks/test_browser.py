"""The bench panel in a real headless Chromium: start, watch, stop, reload, find the run again."""

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Locator, Page, expect, sync_playwright

CHROMIUM = shutil.which("chromium")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
TOUR = Path(__file__).parents[2] / "notebooks" / "01-tour.ipynb"
PATIENCE_ms = 90_000
SHOTS = os.environ.get("HOTBENCH_SCREENSHOTS")

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on the path"),
]


@dataclass(frozen=True)
class Lab:
    url: str
    folder: Path


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[Lab]:
    """JupyterLab with the tour, in a folder and with settings of its own."""
    folder = tmp_path / "work"
    folder.mkdir()
    shutil.copy(TOUR, folder)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    own = {f"JUPYTER_{name}_DIR": str(tmp_path / name) for name in ("CONFIG", "DATA", "RUNTIME")}
    own |= {"JUPYTERLAB_SETTINGS_DIR": str(tmp_path / "settings")}
    own |= {"JUPYTERLAB_WORKSPACES_DIR": str(tmp_path / "workspaces"), "HOME": str(tmp_path)}
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", f"--port={port}"]
    command += ["--IdentityProvider.token=", "--ServerApp.allow_root=True"]
    command += [f"--notebook-dir={folder}"]
    command += ["--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate"]
    settings = tmp_path / "settings" / "@jupyterlab" / "apputils-extension"
    settings.mkdir(parents=True)
    (settings / "notification.jupyterlab-settings").write_text('{"fetchNews": "false"}')
    with (tmp_path / "lab.log").open("wb") as log:
        environment = os.environ | own
        server = subprocess.Popen(command, env=environment, stdout=log, stderr=log)  # noqa: S603
        try:
            yield Lab(_ready(f"http://127.0.0.1:{port}"), folder)
        finally:
            server.terminate()
            server.wait(20)


def _ready(url: str) -> str:
    for _ in range(240):
        try:
            urllib.request.urlopen(f"{url}/api", timeout=2).close()  # noqa: S310 - our own
        except OSError:
            time.sleep(0.25)
        else:
            return url
    raise AssertionError("JupyterLab did not start")


@pytest.fixture
def page() -> Iterator[Page]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = browser.new_page(viewport={"width": 1280, "height": 1000})
        page.set_default_timeout(PATIENCE_ms)
        yield page
        browser.close()


def panel_of(page: Page) -> Locator:
    return page.locator(".hb-panel").first


def samples(panel: Locator) -> int:
    return int(panel.locator("canvas").get_attribute("data-samples") or 0)


def open_and_run(page: Page, lab: Lab) -> Locator:
    page.goto(f"{lab.url}/lab/tree/01-tour.ipynb?reset")
    page.locator(".jp-Notebook").wait_for()
    page.get_by_text("Python 3", exact=False).first.wait_for()
    page.wait_for_timeout(1500)
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
    panel = panel_of(page)
    panel.wait_for()
    panel.get_by_role("button", name="Start").scroll_into_view_if_needed()
    return panel


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
    start = panel.get_by_role("button", name="Start")
    expect(start).to_be_enabled(timeout=PATIENCE_ms)
    shot(page, "plan-light")

    start.click()
    expect(panel).to_have_attribute("data-state", "running", timeout=PATIENCE_ms)
    first = samples(panel)
    page.wait_for_timeout(3000)
    assert samples(panel) > first + 15  # 10 a second are recorded
    shot(page, "running-light")

    assert page.evaluate("document.activeElement.classList.contains('hb-stop')")
    asked = time.monotonic()
    page.keyboard.press("Escape")
    expect(panel).to_have_attribute("data-state", "stopped", timeout=PATIENCE_ms)
    shown_s = time.monotonic() - asked
    assert shown_s < 3.0  # with the heater confirmed off and the page told
    events = (lab.folder / "bench-runs" / "step-1" / "events.csv").read_text()
    assert "M104 S0" in events.splitlines()[-4:].__str__()

    page.reload()
    page.locator(".jp-Notebook").wait_for()
    page.wait_for_timeout(2000)
    if page.locator(".hb-panel").count() == 0:
        page.get_by_role("menuitem", name="Run", exact=True).click()
        page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
    panel = panel_of(page)
    found = panel.get_by_role("button", name="show run step-1")
    found.click()
    expect(panel.locator(".hb-say")).to_contain_text("step-1")
    expect(panel.locator("canvas")).not_to_have_attribute("data-samples", "0")
    dark(page)
    page.wait_for_timeout(500)
    panel.locator("canvas").scroll_into_view_if_needed()
    shot(page, "found-dark")
