"""JupyterLab with the tour in a folder of its own, in a headless Chromium."""

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from panel_page import chromium
from playwright.sync_api import Locator, Page, expect

TOUR = Path(__file__).parents[2] / "notebooks" / "01-tour.ipynb"
PATIENCE_ms = 90_000


@dataclass(frozen=True)
class Lab:
    url: str
    folder: Path


@contextmanager
def jupyter_lab(tmp_path: Path) -> Iterator[Lab]:
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


@contextmanager
def patient_page() -> Iterator[Page]:
    """A page that waits for a slow machine."""
    with chromium() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 1000})
        page.set_default_timeout(PATIENCE_ms)
        yield page


def panel_of(page: Page) -> Locator:
    return page.locator(".hb-panel").first


def samples(panel: Locator) -> int:
    return int(panel.locator("canvas").get_attribute("data-samples") or 0)


def open_and_run(page: Page, lab: Lab) -> Locator:
    page.goto(f"{lab.url}/lab/tree/01-tour.ipynb?reset")
    page.locator(".jp-Notebook").wait_for()
    page.get_by_text("Python 3", exact=False).first.wait_for()
    page.wait_for_timeout(1500)
    run_all(page)
    panel = panel_of(page)
    panel.wait_for()
    panel.get_by_role("button", name="Start").scroll_into_view_if_needed()
    return panel


def run_all(page: Page) -> None:
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()


def start(page: Page, panel: Locator) -> None:
    button = panel.get_by_role("button", name="Start")
    expect(button).to_be_enabled(timeout=PATIENCE_ms)
    button.click()
    expect(panel).to_have_attribute("data-state", "running", timeout=PATIENCE_ms)
