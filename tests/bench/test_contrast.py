"""Text of panel, report and notebook pages against its ground, in both themes."""

import re
from pathlib import Path

import pytest

from hotbench.bench import lab
from hotbench.bench.figures import picture
from hotbench.bench.panel import STATIC
from hotbench.plots.style import DARK, LIGHT, READABLE, contrast, new_figure

BENCH = Path(lab.__file__).parent
CSS = (STATIC / "panel.css").read_text("utf-8")
REPORT = (BENCH / "templates" / "report.html.j2").read_text("utf-8")
TEXTS = ("ink", "soft", "limit", "good")
VISIBLE = 3.0
"""WCAG 2.2, criterion 1.4.11: graphical objects and edges of controls."""
CURVES = ("measured", "setpoint", "predicted", "duty", "fan")


def variables(css: str, selector: str) -> dict[str, str]:
    """The colours that a rule states."""
    block = css.partition(selector + " {")[2].partition("}")[0]
    return dict(re.findall(r"--([\w-]+): (#[0-9a-fA-F]+)", block))


THEMES = {
    "light": variables(CSS, "\n.hb-panel") or variables(CSS, ".hb-panel"),
    "dark": variables(CSS, '.hb-panel[data-theme="dark"]'),
}


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("ground", ["ground", "raised"])
@pytest.mark.parametrize("text", TEXTS)
def test_the_panels_texts_are_read_on_both_of_its_grounds(
    theme: str, ground: str, text: str
) -> None:
    c = THEMES[theme]
    assert contrast(c[text], c[ground]) >= READABLE


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("curve", CURVES)
def test_names_of_curves_are_read(theme: str, curve: str) -> None:
    c = THEMES[theme]
    assert contrast(c[f"{curve}-ink"], c["ground"]) >= READABLE


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("line", [*CURVES, "limit", "good", "stop"])
def test_curves_marks_and_the_focus_ring_stand_out(theme: str, line: str) -> None:
    c = THEMES[theme]
    assert contrast(c[line], c["ground"]) >= VISIBLE


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("ground", ["ground", "raised"])
def test_edges_of_fields_and_buttons_stand_out(theme: str, ground: str) -> None:
    c = THEMES[theme]
    assert contrast(c["edge"], c[ground]) >= VISIBLE


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("button", ["start", "stop"])
def test_buttons_are_read(theme: str, button: str) -> None:
    c = THEMES[theme]
    assert contrast(c[f"{button}-ink"], c[button]) >= READABLE


def test_the_stop_that_floats_is_read() -> None:
    c = variables(CSS, ".hb-float")
    assert contrast(c["stop-ink"], c["stop"]) >= READABLE


@pytest.mark.parametrize(("theme", "figures"), [("light", LIGHT), ("dark", DARK)])
def test_panel_and_figures_share_their_colours(theme: str, figures: object) -> None:
    stated = {name: THEMES[theme][name].lower() for name in (*CURVES, "limit", "ink")}
    assert stated == {name: getattr(figures, name).lower() for name in stated}


@pytest.mark.parametrize("ground", ["ground", "raised"])
@pytest.mark.parametrize("text", ["ink", "quiet"])
def test_the_reports_texts_are_read(ground: str, text: str) -> None:
    c = variables(REPORT, ":root")
    assert contrast(c[text], c[ground]) >= READABLE


def test_a_figures_card_below_a_cell_is_read() -> None:
    drawn = lab.figure_html(picture("a", "b", lambda _: new_figure()[0]))
    ground = re.search(r"background:(#\w+)", drawn)
    texts = re.findall(r"(?<!-)color:(#\w+)", drawn.replace("background-color", ""))
    assert ground is not None
    assert len(texts) >= 2
    assert all(contrast(text, ground[1]) >= READABLE for text in texts[:2])
