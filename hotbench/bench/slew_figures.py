"""Figures of setpoint moves: safe slew by cause, dips overlaid, smoothing against its cost."""

import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from matplotlib.figure import Figure

from hotbench.bench.claims import STEPS_C, slowest_rate
from hotbench.bench.dips import RecordedDip, recorded_dips, time_back, time_down
from hotbench.bench.figures import Picture, picture
from hotbench.bench.predicting import board_of, loop_limits
from hotbench.core.arrays import FloatArray
from hotbench.core.records import Run
from hotbench.fitting.heater_result import HeaterFit
from hotbench.fitting.slew import SlewFit
from hotbench.models.board_loop import BoardLoop, TICK_s, controlled_C
from hotbench.models.dips import WITHIN_BACK_K, WITHIN_DOWN_K
from hotbench.models.slew import Direction, limits_by_cause
from hotbench.models.smoothing import FlowLimit, smoothing_curve
from hotbench.plots import moves
from hotbench.plots.style import WIDTH_IN, Colours, new_figure, series
from hotbench.profile import types as p

SPAN_C = (170.0, 250.0)
POINTS = 41
MOST_DIPS, COLUMNS, TITLE_MOST = 6, 2, 28
AFTER_s = 4.0
BEYOND = 1.25


def cause_picture(heater: HeaterFit, slew: SlewFit | None, rows: Sequence[p.SlewRate]) -> Picture:
    """Safe slew against temperature by limiting cause, fan off."""
    top_C = min(SPAN_C[1], heater.seen_C[1])
    at_C = np.linspace(min(SPAN_C[0], top_C - 20.0), top_C, POINTS)
    limits = {way: _limits(heater, slew, way, at_C) for way in DIRECTIONS}

    def draw(c: Colours) -> Figure:
        figure, axes = new_figure(2, height_in=5.0)
        hues = dict(zip(CAUSES, series(), strict=False))
        for one, (way, by_cause) in zip(axes, limits.items(), strict=True):
            claims = [
                (r.temperature_C, r.rate_K_per_s)
                for r in rows
                if r.direction == way and r.fan == 0.0 and r.evidence.trials
            ]
            moves.safe_slew(one, at_C, by_cause, claims, hues, c)
            one.set_ylabel(f"{way} / K/s")
        axes[-1].set_xlabel("temperature / °C")
        return figure

    return picture(
        "Safe slew by limiting cause",
        "The rate that each cause would allow by itself, as the heater model and the ramps tell, "
        "fan off. The area is coloured by the cause that governs. Points are rates that ramps "
        "have shown to be safe.",
        draw,
    )


DIRECTIONS: tuple[Direction, ...] = ("heating", "cooling")
CAUSES = ("power", "passive cooling", "loop tracking", "controller fault")


def _limits(
    heater: HeaterFit, slew: SlewFit | None, way: Direction, at_C: FloatArray
) -> Mapping[str, FloatArray]:
    loop, vector = loop_limits(slew, way), heater.propagation.base
    found = [limits_by_cause(vector, way, float(at), 0.0, loop) for at in at_C]
    return {cause: np.array([one[cause] for one in found]) for cause in found[0]}


def dip_pictures(heater: HeaterFit | None, runs: Sequence[Run]) -> Iterator[Picture]:
    """Recorded dips, measured and predicted from the logged duty and fan; nothing without dips."""
    if heater is None:
        return
    board = board_of(heater, runs)
    traces = [trace for run in runs for trace in dip_traces(heater, board, run)][:MOST_DIPS]
    if not traces:
        return

    def draw(c: Colours) -> Figure:
        columns, rows = min(COLUMNS, len(traces)), math.ceil(len(traces) / COLUMNS)
        size = (WIDTH_IN, 0.4 + 2.5 * rows)
        figure = Figure(figsize=size, layout="constrained", dpi=110)
        grid = figure.subplots(rows, columns, squeeze=False)
        for axes, trace in zip(grid.flat, traces, strict=False):
            moves.dip(axes, trace, c)
        for axes in grid.flat[len(traces) :]:
            axes.set_visible(False)
        for row in grid:
            row[0].set_ylabel("temperature / °C")
        grid[0][0].legend(loc="upper center")
        return figure

    yield picture(
        "Dips, measured and predicted",
        "Recorded dips against time since the command down, and the temperature predicted "
        f"{FROM_DUTY if board is None else FROM_SETPOINT}. Rings and crosses mark where each "
        "comes within reach of the lower and of the upper temperature.",
        draw,
    )


FROM_DUTY = "from the logged duty and fan alone"
FROM_SETPOINT = "from the setpoint alone, by the heater model under the board's controller"


def dip_traces(heater: HeaterFit, board: BoardLoop | None, run: Run) -> Iterator[moves.DipTrace]:
    """Each recorded dip of a run with its prediction."""
    for dip in recorded_dips(run):
        if board is None:
            predicted_C = heater.predict(run).temperature_C
        else:
            predicted_C = _controlled(heater, board, run, dip)
        ends_s = min(dip.down_at_s + _length_s(run, dip), float(run.time_s[dip.past - 1]))
        inside = (run.time_s >= dip.down_at_s - AFTER_s) & (run.time_s <= ends_s)
        yield moves.DipTrace(
            title=f"{_shown(run.info.run_id)}\n{dip.from_C:g} to {dip.to_C:g} °C, fan {dip.fan:g}",
            time_s=run.time_s[inside] - dip.down_at_s,
            measured_C=run.temperature_C[inside],
            predicted_C=predicted_C[inside],
            setpoint_C=run.setpoint_C[inside],
            measured=_marks(run, dip, run.temperature_C),
            predicted=_marks(run, dip, predicted_C),
        )


def _shown(name: str) -> str:
    """A run's name as a title of half the page's width has room for it."""
    return name if len(name) <= TITLE_MOST else f"{name[: TITLE_MOST - 1]}…"


def _controlled(heater: HeaterFit, board: BoardLoop, run: Run, dip: RecordedDip) -> FloatArray:
    """The dip from a steady hold on, by its commands; at the run's samples."""
    ticks = int((run.time_s[dip.past - 1] - dip.down_at_s) / TICK_s) + 1
    back_s = np.inf if dip.back_at_s is None else dip.back_at_s - dip.down_at_s
    # The board looks at its setpoint at the end of a tick.
    setpoint_C = np.where(TICK_s * np.arange(1, ticks + 1) < back_s, dip.to_C, dip.from_C)
    moved_C = controlled_C(heater.propagation.base, board, dip.from_C, setpoint_C, dip.fan)
    since_s = TICK_s * np.arange(ticks + 1)
    found_C: FloatArray = np.interp(
        run.time_s - dip.down_at_s, since_s, np.concatenate(([dip.from_C], moved_C))
    )
    return found_C


def _length_s(run: Run, dip: RecordedDip) -> float:
    """From the command down to a little after all is back."""
    back = time_back(run, dip, run.temperature_C)
    if back is None or dip.back_at_s is None:
        return float(run.time_s[dip.past - 1]) - dip.down_at_s
    return (dip.back_at_s - dip.down_at_s) + BEYOND * back.value + AFTER_s


def _marks(run: Run, dip: RecordedDip, temperature_C: FloatArray) -> list[tuple[float, float]]:
    down, back = time_down(run, dip, temperature_C), time_back(run, dip, temperature_C)
    marks = [(down.value, dip.to_C + WITHIN_DOWN_K)] if down else []
    if back is not None and dip.back_at_s is not None:
        marks.append((dip.back_at_s - dip.down_at_s + back.value, dip.from_C - WITHIN_BACK_K))
    return marks


def smoothing_picture(profile: p.MachineProfile) -> Picture | None:
    """Look-ahead against print time per change of temperature; None where no rate is known."""
    flow = _flow_limit(profile)
    waits, slowed = {}, {}
    for from_C, to_C in STEPS_C:
        rate = slowest_rate(profile.slew, from_C, to_C)
        if rate is None or not rate.rate_K_per_s > 0.0:
            continue
        name, safe = f"{from_C:g} to {to_C:g}", rate.rate_K_per_s
        ahead_s = np.linspace(0.0, BEYOND * abs(to_C - from_C) / safe, POINTS)
        waits[name] = _costs(from_C, to_C, safe, ahead_s)
        if flow is not None and to_C > from_C:
            slowed[name] = _costs(from_C, to_C, safe, ahead_s, flow)
    if not waits:
        return None

    def draw(c: Colours) -> Figure:
        del c
        figure, (axes,) = new_figure(height_in=3.3)
        moves.look_ahead(axes, waits, slowed, series())
        return figure

    return picture(
        "Smoothing and its cost",
        "Print time that each change of temperature costs when it is commanded so many seconds "
        "ahead, at the slowest safe rate on its way: waiting for the temperature, or (dashed) "
        "going on at the flow that the temperature allows. Beyond the foot of a line, more "
        "look-ahead only prints longer at the wrong temperature.",
        draw,
    )


def _costs(
    from_C: float, to_C: float, safe: float, ahead_s: FloatArray, flow: FlowLimit | None = None
) -> tuple[FloatArray, FloatArray]:
    wanted = flow(to_C) if flow else 0.0
    points = smoothing_curve(
        from_C, to_C, safe, ahead_s.tolist(), flow_mm3_per_s=wanted, flow_limit=flow
    )
    return ahead_s, np.array([point.time_cost_s for point in points])


def _flow_limit(profile: p.MachineProfile) -> FlowLimit | None:
    rows = profile.melt.flow_limit if profile.melt else ()
    if len(rows) < 2:
        return None
    at_C, flows = np.array(sorted((r.temperature_C, r.flow_mm3_per_s) for r in rows)).T
    return lambda temperature_C: float(np.interp(temperature_C, at_C, flows))
