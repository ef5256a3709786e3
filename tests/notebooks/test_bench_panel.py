"""What the panel costs in JupyterLab at 20 readings a second, against recording without it."""

import os
import time
from pathlib import Path

import psutil
import pytest
from lab_page import PATIENCE_ms, jupyter_lab, open_and_run, patient_page, samples, start
from panel_page import CHROMIUM
from playwright.sync_api import Locator, Page, expect
from pytest_benchmark.fixture import BenchmarkFixture

pytestmark = [
    pytest.mark.bench,
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on the path"),
]

MACHINE = "hotbench_machine: 1\ninterval_s: 0.05\n"
WATCHED_s = 20.0
ALLOWED = 0.10
"""Of one core: browser, server and kernel together."""
BARE = """
from pathlib import Path
from hotbench.bench.session import Request, Session
bare = Session(Path("bare"))
bare.start(Request(port=PORT, test="hold", settings={"duration_s": 900.0}, machine=Path("m.yaml")))
"""
"""The same recording, which nobody watches."""


def processor_s() -> float:
    """What all processes below this one have spent, Chromium drawing without a graphics card."""
    spent = (p.cpu_times() for p in psutil.Process(os.getpid()).children(recursive=True))
    return sum(times.user + times.system for times in spent)


def share_of_a_core(page: Page) -> float:
    begun_s, before_s = time.monotonic(), processor_s()
    page.wait_for_timeout(1000.0 * WATCHED_s)
    return (processor_s() - before_s) / (time.monotonic() - begun_s)


def samples_of(folder: Path) -> int:
    return len((folder / "samples.csv").read_text("utf-8").splitlines()) - 1


def run_code(page: Page, code: str) -> None:
    """In the notebook's last code cell, once it has ended."""
    page.locator(".jp-CodeCell .cm-content").last.click()
    page.keyboard.press("Control+a")
    page.keyboard.insert_text(code)
    page.keyboard.press("Control+Enter")
    page.wait_for_timeout(5000)


def start_at_twenty_a_second(page: Page, panel: Locator) -> None:
    panel.get_by_text("Machine and material").click()
    panel.get_by_label("machine file").fill("m.yaml")
    page.wait_for_timeout(1500)
    start(page, panel)
    page.wait_for_timeout(3000)


def test_the_panel_adds_less_than_a_tenth_of_a_core(
    benchmark: BenchmarkFixture, tmp_path: Path
) -> None:
    with jupyter_lab(tmp_path) as lab, patient_page() as page:
        (lab.folder / "m.yaml").write_text(MACHINE, "utf-8")
        panel = open_and_run(page, lab)
        page.wait_for_timeout(8000)  # the tour's own work is done
        run_code(page, BARE)
        unwatched = share_of_a_core(page)
        assert samples_of(lab.folder / "bare" / "hold-1") > 0.95 * 20.0 * WATCHED_s
        run_code(page, "bare.stop(), bare.wait()")
        start_at_twenty_a_second(page, panel)
        first = samples(panel)
        shares: list[float] = []
        benchmark.pedantic(lambda: shares.append(share_of_a_core(page)), rounds=3)
        read = samples(panel) - first
        page.keyboard.press("Escape")
        expect(panel).to_have_attribute("data-state", "stopped", timeout=PATIENCE_ms)
    added = [share - unwatched for share in shares]
    benchmark.extra_info["of a core unwatched"] = round(unwatched, 4)
    benchmark.extra_info["added"] = [round(share, 4) for share in added]
    assert read > 0.95 * 20.0 * WATCHED_s * len(shares)
    assert sorted(added)[len(added) // 2] < ALLOWED
