"""The bench panel in a bare page of a headless Chromium: its real script, its real kernel side."""

import base64
import json
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

from playwright.sync_api import Browser, Page, sync_playwright

from hotbench.bench.panel import STATIC, BenchPanel

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
SHARED = ("port", "files", "catalogue", "ports", "plan", "status", "runs", "notice", "entries")
PATIENCE_ms = 15_000
MODEL = """
async ([source, state]) => {
  const { default: face } = await import(`data:text/javascript;base64,${source}`);
  const heard = new Map();
  const model = {
    get: (name) => state[name],
    on: (name, act) => heard.set(name, [...(heard.get(name) ?? []), act]),
    off: () => {},
    send: (content) => window.toKernel(JSON.stringify(content)),
  };
  window.fromKernel = (items) => {
    for (const [name, value, data] of items) {
      if (name === "msg:custom") {
        const bytes = Uint8Array.from(atob(data), (c) => c.charCodeAt(0));
        for (const act of heard.get(name) ?? []) act(value, [new DataView(bytes.buffer)]);
      } else if (heard.has(name)) {
        for (const act of heard.get(name)) act();
      } else {
        state[name] = value;
        for (const act of heard.get(`change:${name}`) ?? []) act();
      }
    }
  };
  face.render({ model, el: document.querySelector("main") });
}
"""


class BridgedPanel(BenchPanel):
    """A panel whose messages wait in a queue, from whatever thread they come."""

    def __init__(self, port: str, folder: Path, **more: Any) -> None:
        self.outbox: SimpleQueue[tuple[str, Any, str]] = SimpleQueue()
        super().__init__(port, folder, **more)
        self.observe(self._changed, names=list(SHARED))

    def send(self, content: Any, buffers: Any = None) -> None:
        data = base64.b64encode(b"".join(bytes(part) for part in buffers or ())).decode()
        self.outbox.put(("msg:custom", content, data))

    def _changed(self, change: Any) -> None:
        self.outbox.put((change["name"], change["new"], ""))


class PanelPage:
    """The page and the panel behind it; nothing moves between them but in `until`."""

    def __init__(self, page: Page, panel: BridgedPanel) -> None:
        self.page, self.panel = page, panel
        self._wishes: SimpleQueue[str] = SimpleQueue()
        page.expose_function("toKernel", lambda wish: self._wishes.put(wish))
        css = (STATIC / "panel.css").read_text("utf-8")
        page.set_content(f"<html lang=en><style>{css}</style><main></main></html>")
        script = base64.b64encode((STATIC / "panel.js").read_bytes()).decode()
        state = {name: getattr(panel, name) for name in SHARED}
        page.evaluate(MODEL, [script, state])
        self.until(lambda: bool(panel.plan))

    def pump(self) -> None:
        """Let both sides hear each other."""
        self.page.wait_for_timeout(20)
        with _drained(self._wishes) as wishes:
            for wish in wishes:
                self.panel._on_message(self.panel, json.loads(wish), [])
        with _drained(self.panel.outbox) as items:
            if items:
                self.page.evaluate("items => window.fromKernel(items)", items)

    def until(self, true: Callable[[], bool]) -> None:
        """Pump until `true`; AssertionError when it takes too long."""
        for _ in range(PATIENCE_ms // 20):
            self.pump()
            if true():
                self.pump()
                return
        raise AssertionError("did not come about")

    def theme(self, name: str) -> None:
        """light or dark, as JupyterLab says it."""
        light = "true" if name == "light" else "false"
        self.page.evaluate("light => { document.body.dataset.jpThemeLight = light; }", light)
        ground = "#ffffff" if name == "light" else "#111111"
        self.page.evaluate("g => { document.body.style.background = g; }", ground)
        self.page.wait_for_timeout(150)


@contextmanager
def _drained(queue: "SimpleQueue[Any]") -> Iterator[list[Any]]:
    items = []
    while True:
        try:
            items.append(queue.get_nowait())
        except Empty:
            break
    yield items


@contextmanager
def chromium() -> Iterator[Browser]:
    """A headless Chromium."""
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield started
        started.close()


@contextmanager
def panel_page(
    browser: Browser, folder: Path, *, width: int = 1100, **more: Any
) -> Iterator[PanelPage]:
    """A panel of `folder` in a page of its own."""
    page = browser.new_page(viewport={"width": width, "height": 1000})
    page.set_default_timeout(PATIENCE_ms)
    panel = BridgedPanel("sim:swift-sleeve", folder, **more)
    try:
        yield PanelPage(page, panel)
    finally:
        panel.session.close()
        page.close()
