"""Duty to add before the controller must: for the filament's heat and for a setpoint ramp."""

from hotbench.control.process import Process
from hotbench.core.errors import BadInput


def flow_duty(load_K_per_mm3: float, power_K_per_s: float) -> float:
    """Duty per mm3/s of flow: the filament cools by `load` K/s for every mm3/s, full power heats
    by `power_K_per_s` at this temperature, and both act on the same node.
    """
    if power_K_per_s <= 0.0:
        raise BadInput("power must be positive", value=power_K_per_s)
    return load_K_per_mm3 / power_K_per_s


def ramp_duty(process: Process) -> float:
    """Duty per K/s of a long setpoint ramp, beyond the duty that holds each temperature.

    The coefficient of s in 1/G without dead time: (Σlags - Σleads)/gain, or 1/slope. The sensor's
    lag is among the lags, so that the reading, not the nozzle ahead of it, keeps to the ramp.
    """
    if process.integrating:
        return 1.0 / process.gain
    return (sum(process.lags_s) - sum(process.leads_s)) / process.gain


def ramp_lag_K(process: Process, rate_K_per_s: float) -> float:
    """How far the reading trails a ramp that is fed forward: rate times dead time."""
    return rate_K_per_s * process.dead_s
