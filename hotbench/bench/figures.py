"""The report's figures as SVG with a text alternative, drawn from an analysis."""

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from io import StringIO

import numpy as np
from markupsafe import Markup, escape
from matplotlib.figure import Figure

from hotbench.core.arrays import FloatArray
from hotbench.core.quantity import Quantity
from hotbench.core.records import Run
from hotbench.fitting.heater_result import FigureRow, HeaterFit, Residuals
from hotbench.fitting.melt import MeltFit
from hotbench.fitting.ramps import RampTrial
from hotbench.fitting.slew import DirectionFit, SlewFit
from hotbench.plots import curves, traces
from hotbench.plots.style import WIDTH_IN, Colours, Theme, new_figure, series, styled

LAGS = 400
CURVE_POINTS = 60


@dataclass(frozen=True)
class Picture:
    """A figure ready for a page: inline SVG, title, caption (also its text alternative)."""

    title: str
    caption: str
    svg: Markup


def picture(
    title: str, caption: str, draw: Callable[[Colours], Figure], theme: Theme = "light"
) -> Picture:
    """Draw in the house style and name the drawing for screen readers."""
    with styled(theme) as c:
        text = StringIO()
        draw(c).savefig(text, format="svg", metadata={"Date": None, "Creator": None})
    return Picture(title, caption, _accessible(text.getvalue(), title, caption))


def _accessible(svg: str, title: str, caption: str) -> Markup:
    """Inline SVG with a title and a description, its ids unique on the page."""
    key = re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")
    body = re.sub(r"<metadata>.*?</metadata>", "", svg[svg.index("<svg") :], flags=re.S)
    body = re.sub(r'(\bid="|href="#|url\(#)', rf"\g<1>{key}-", body)
    named = f'<svg role="img" aria-labelledby="{key}-title {key}-desc" '
    head, _, rest = body.replace("<svg ", named, 1).partition(">")
    names = f'<title id="{key}-title">{escape(title)}</title>'
    names += f'<desc id="{key}-desc">{escape(caption)}</desc>'
    return Markup(f"{head}>{names}{rest}")  # noqa: S704 - our own drawing, texts escaped above


def heater_pictures(fit: HeaterFit, runs: Sequence[Run]) -> Iterator[Picture]:
    """Trace with residuals, residual diagnostics, rate curves."""
    by_id = {run.info.run_id: run for run in runs}
    for residuals in fit.residuals:
        yield _trace(by_id[residuals.run_id], residuals)
    yield from map(_diagnostics, fit.residuals[:1])
    yield _rates("Heating rate", fit.heating_rate, lambda row: f"from {row.figure.start}")
    yield _rates("Cooling rate", fit.cooling_rate, lambda row: f"fan {row.figure.fan:g}")


def _trace(run: Run, residuals: Residuals) -> Picture:
    predicted_C = np.interp(run.time_s, residuals.time_s, residuals.predicted_C)

    def draw(c: Colours) -> Figure:
        figure, (top, middle, bottom) = new_figure(3, height_in=5.6, ratios=(3.0, 1.2, 1.0))
        traces.temperature(top, run, c, predicted_C)
        traces.residual(middle, run, predicted_C, c)
        traces.drive(bottom, run, c)
        return figure

    return picture(
        f"Measured and predicted, run {run.info.run_id}",
        "Temperature predicted from the logged duty and fan against what was measured, what is "
        "left over, and what drove it. The fit has not seen the shaded stretch.",
        draw,
    )


def _diagnostics(residuals: Residuals) -> Picture:
    residual_K = residuals.measured_C - residuals.predicted_C
    step_s = float(np.median(np.diff(residuals.time_s)))

    def draw(c: Colours) -> Figure:
        figure = Figure(figsize=(WIDTH_IN, 2.6), layout="constrained", dpi=110)
        left, right = figure.subplots(1, 2)
        traces.residual_by_temperature(left, residuals.measured_C, residual_K, c)
        lags = np.arange(min(LAGS, residual_K.size - 1), dtype=np.float64)
        traces.autocorrelation(right, lags * step_s, _autocorrelation(residual_K, lags.size), c)
        return figure

    return picture(
        "Residuals",
        "Residuals against temperature (a slope or a bow would mean a missing term) and their "
        "autocorrelation: the longer it stays up, the fewer the samples that count.",
        draw,
    )


def _autocorrelation(values: FloatArray, lags: int) -> FloatArray:
    """Normalised autocorrelation at 0 to lags - 1 samples, through the spectrum."""
    centred = values - values.mean()
    spectrum = np.abs(np.fft.rfft(centred, 2 * centred.size)) ** 2
    correlation = np.fft.irfft(spectrum)[:lags]
    return np.asarray(correlation / correlation[0], dtype=np.float64)


def _rates(title: str, rows: Sequence[FigureRow], name: Callable[[FigureRow], str]) -> Picture:
    groups: dict[str, list[tuple[float, float, float, float]]] = {}
    for row in rows:
        point = (row.figure.temperature_C, *_ends(row.quantity))
        groups.setdefault(name(row), []).append(point)

    def draw(c: Colours) -> Figure:
        del c
        figure, (axes,) = new_figure(height_in=2.9)
        bands = {label: curves.Band.from_rows(points) for label, points in groups.items()}
        curves.bands(
            axes, bands, series(), x_label="temperature / °C", y_label=f"{title.lower()} / K/s"
        )
        return figure

    caption = f"{title} passing each temperature, with the 95 % interval as a band."
    return picture(title, caption, draw)


def held_out_picture(fit: HeaterFit, run: Run) -> Picture:
    """A run that no fit has seen, with its prediction."""
    predicted_C = fit.predict(run).temperature_C

    def draw(c: Colours) -> Figure:
        figure, (top, bottom) = new_figure(2, height_in=4.2, ratios=(3.0, 1.2))
        traces.temperature(top, run, c, predicted_C)
        traces.residual(bottom, run, predicted_C, c)
        bottom.set_xlabel("time / min")
        return figure

    return picture(
        f"Run {run.info.run_id}, not seen by the fit",
        "Temperature predicted from the logged duty and fan alone against what was measured, and "
        "what is left over.",
        draw,
    )


def slew_pictures(fit: SlewFit) -> Iterator[Picture]:
    """Deviation against rate for each direction that was tried."""
    for direction in fit.directions:
        trials = [t for t in fit.trials if t.direction == direction.direction]
        yield _slew(direction, trials)


def _slew(fit: DirectionFit, trials: Sequence[RampTrial]) -> Picture:
    rates = np.array([t.rate_K_per_s for t in trials])
    deviations = np.array([t.deviation_K for t in trials])
    whole = np.array([t.clean for t in trials])

    def draw(c: Colours) -> Figure:
        figure, (axes,) = new_figure(height_in=3.1)
        curves.deviation_by_rate(
            axes,
            rates,
            deviations,
            _bound(fit),
            fit.level_K,
            fit.rate.value if fit.rate else None,
            c,
            whole=whole,
            cause=fit.cause or "",
        )
        return figure

    return picture(
        f"Ramps {fit.direction}",
        "Largest deviation of each ramp from its setpoint, the typical deviation (line), the "
        "bound that holds with the stated confidence (dashed), the level at which the board "
        "faults, and the rate that is called safe with what limits it. Hollow: stopped or faulted "
        "on the way, so that a whole ramp would have deviated by more.",
        draw,
    )


def _bound(fit: DirectionFit) -> curves.Band | None:
    if fit.curve is None:
        return None
    curve = fit.curve
    return curves.Band(curve.rate_K_per_s, curve.deviation_K, curve.deviation_K, curve.bound_K)


def melt_pictures(fit: MeltFit) -> Iterator[Picture]:
    """Delivered ratio by temperature, and the flow limit with its band."""
    yield _ratio(fit)
    if fit.joint:
        yield _limit(fit)


def _ratio(fit: MeltFit) -> Picture:
    def draw(c: Colours) -> Figure:
        del c
        figure, (axes,) = new_figure(height_in=3.3)
        points, lines, limits = {}, {}, {}
        for item in fit.limits:
            here = np.abs(fit.points.temperature_C - item.temperature_C) < 0.5
            flows = fit.points.flow_mm3_per_s[here]
            points[item.temperature_C] = (flows, fit.points.level[here])
            grid = np.linspace(flows.min(), flows.max(), CURVE_POINTS)
            lines[item.temperature_C] = (grid, fit.ratio_at(item.temperature_C, grid))
            limits[item.temperature_C] = item.limit.value
        curves.delivered_ratio(axes, points, lines, limits, series())
        return figure

    return picture(
        "Delivered amount",
        "Delivered over commanded amount of each weighing against flow, the fitted roll-off, and "
        "the flow at which 5 % is missing (dotted).",
        draw,
    )


def _limit(fit: MeltFit) -> Picture:
    def draw(c: Colours) -> Figure:
        low_C, high_C = fit.temperature_range_C
        grid = np.linspace(low_C - 10.0, high_C + 10.0, CURVE_POINTS // 2)
        rows = [(float(at), *_ends(fit.flow_limit(float(at)))) for at in grid]
        found = [(item.temperature_C, *_ends(item.limit)) for item in fit.limits]
        figure, (axes,) = new_figure(height_in=3.1)
        curves.flow_limit(axes, curves.Band.from_rows(rows), curves.Band.from_rows(found), c)
        return figure

    return picture(
        "Flow limit",
        "Largest flow that is still fully melted against temperature: joint fit with its 95 % "
        "band, wider outside the temperatures tried, and the limits at those temperatures.",
        draw,
    )


def _ends(quantity: Quantity) -> tuple[float, float, float]:
    low = np.nan if quantity.low is None else quantity.low
    high = np.nan if quantity.high is None else quantity.high
    return quantity.value, low, high
