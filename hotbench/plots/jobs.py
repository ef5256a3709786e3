"""A print job over time: flow against its limit, and temperatures set and predicted."""

from matplotlib.axes import Axes

from hotbench.jobs.prediction import Prediction
from hotbench.jobs.rehearsal import Trace
from hotbench.plots.style import Colours, End, label_ends
from hotbench.plots.traces import thinned


def flow(axes: Axes, trace: Trace, c: Colours) -> Axes:
    """Volumetric flow and the flow limit at the set temperature; above it is filled."""
    at = thinned(trace.time_s.size)
    minutes, flow_, limit = (
        trace.time_s[at] / 60.0,
        trace.flow_mm3_per_s[at],
        trace.limit_mm3_per_s[at],
    )
    axes.fill_between(minutes, limit, flow_, where=flow_ > limit, color=c.limit, alpha=0.5, lw=0)
    axes.plot(minutes, flow_, color=c.measured, lw=0.8, label="flow")
    axes.plot(minutes, limit, color=c.limit, lw=1.2, label="limit at the set temperature")
    axes.set_ylabel("flow / mm³/s")
    axes.set_ylim(bottom=0.0)
    ends = [("flow", flow_, c.measured), ("limit", limit, c.limit)]
    label_ends(axes, [End.of(minutes, values, name, colour) for name, values, colour in ends])
    return axes


def temperatures(axes: Axes, trace: Trace, prediction: Prediction | None, c: Colours) -> Axes:
    """Set temperature, and what the heater model expects of nozzle and leaving melt."""
    at = thinned(trace.time_s.size)
    minutes = trace.time_s[at] / 60.0
    axes.plot(minutes, trace.set_C[at], color=c.setpoint, ls=(0, (4, 2)), lw=1.1, label="set")
    ends = [End.of(minutes, trace.set_C[at], "set", c.setpoint)]
    if prediction is not None:
        nozzle_C, exit_C = prediction.temperature_C[at], prediction.exit_C[at]
        axes.plot(minutes, nozzle_C, color=c.predicted, lw=1.1, label="predicted")
        axes.plot(minutes, exit_C, color=c.good, lw=0.9, label="melt at the exit")
        ends.append(End.of(minutes, nozzle_C, "predicted", c.predicted))
        ends.append(End.of(minutes, exit_C, "melt at the exit", c.good))
    axes.set_ylabel("temperature / °C")
    axes.set_xlabel("time / min")
    label_ends(axes, ends)
    return axes
