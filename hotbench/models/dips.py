"""Dips: how long to a lower temperature and back, and when to command them before a surface."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.core.quantity import Basis, Quantity
from hotbench.models.board_loop import BoardLoop, TICK_s, controlled_C
from hotbench.models.heater import HeaterState, hold_state
from hotbench.models.heater_steps import P, advance, fan_effect, fastest_rate
from hotbench.models.heater_traces import crossing_times
from hotbench.models.spread import spread

WITHIN_DOWN_K, WITHIN_BACK_K = 2.0, 3.0
"""Scored this close to the target: the last kelvins belong to the controller and to noise."""
REST_s = 10.0
LONGEST_s = 3600.0


@dataclass(frozen=True, slots=True)
class DipSpec:
    """A dip: temperatures, fan (on before and throughout), rest at the bottom, scoring bands."""

    from_C: float
    to_C: float
    fan: float = 0.0
    rest_s: float = REST_s
    within_down_K: float = WITHIN_DOWN_K
    within_back_K: float = WITHIN_BACK_K

    def __post_init__(self) -> None:
        if self.from_C - self.to_C <= self.within_down_K + self.within_back_K:
            raise BadInput(
                "a dip must go down by more than its scoring bands",
                value=f"{self.from_C:g} to {self.to_C:g} °C",
                limit=f"{self.within_down_K + self.within_back_K:g} K",
            )


@dataclass(frozen=True, kw_only=True)
class DipPrediction:
    """Times of a dip and when to command it.

    time_down: from the command until within reach of the lower temperature; time_back: from the
    command back. earliest_command_s and latest_command_s before the surface: with
    the earliest the temperature is surely down, with the latest only if all is at its fastest.
    residual_K: how much too hot it typically still is at the surface, by seconds of lead.
    """

    spec: DipSpec
    time_down: Quantity
    time_back: Quantity
    earliest_command: Quantity
    latest_command: Quantity
    residual_K: tuple[tuple[float, float], ...]


def dip_times(vector: FloatArray, spec: DipSpec, board: BoardLoop | None = None) -> FloatArray:
    """Time down and time back, s, for a kernel parameter vector; shape (2,), NaN if not reached.

    Under the board's controller where it is known. Else down: heater off from the steady hold,
    fan on; at the bottom the near node is held while the far node cools on; back: full duty. Both
    as the log shows them, dead time included.
    """
    return _fastest(vector, spec) if board is None else _controlled(vector, spec, board)


def _controlled(vector: FloatArray, spec: DipSpec, board: BoardLoop) -> FloatArray:
    span_s = 2.0 * float(np.sum(_fastest(vector, spec))) + spec.rest_s
    while span_s < LONGEST_s:
        times = _within(vector, spec, board, int(span_s / TICK_s) + 1)
        if np.isfinite(times).all():
            return times
        span_s *= 2.0
    return np.full(2, np.nan)


def _within(vector: FloatArray, spec: DipSpec, board: BoardLoop, ticks: int) -> FloatArray:
    """Time down and time back where they come within so many ticks; else NaN."""
    low_C = np.full(ticks, spec.to_C)
    fall_C = controlled_C(vector, board, spec.from_C, low_C, spec.fan)
    down_s = _passes_s(-fall_C, -spec.to_C - spec.within_down_K)
    if not np.isfinite(down_s):
        return np.full(2, np.nan)
    # Between the ticks around the turn, or the times would jump as the parameters move.
    turn, part = divmod((down_s + spec.rest_s) / TICK_s, 1.0)
    before_s, after_s = (_back_s(vector, spec, board, int(turn) + i, ticks) for i in (0, 1))
    return np.array([down_s, before_s + part * (after_s - before_s)])


def _back_s(vector: FloatArray, spec: DipSpec, board: BoardLoop, turn: int, ticks: int) -> float:
    """Time back from a command after so many ticks; NaN if not within `ticks` more."""
    setpoint_C = np.concatenate((np.full(turn, spec.to_C), np.full(ticks, spec.from_C)))
    whole_C = controlled_C(vector, board, spec.from_C, setpoint_C, spec.fan)
    return _passes_s(whole_C[turn:], spec.from_C - spec.within_back_K)


def _passes_s(at: FloatArray, level: float) -> float:
    """When a rising trace passes a level, its first value one tick after the start; else NaN."""
    past = np.flatnonzero(at >= level)
    if not past.size:
        return float("nan")
    k = max(int(past[0]), 1)
    return float((k + (level - at[k - 1]) / (at[k] - at[k - 1])) * TICK_s)


def _fastest(vector: FloatArray, spec: DipSpec) -> FloatArray:
    state = _hold(vector, spec.from_C, spec.fan)
    down_s = _cross(vector, state, spec.fan, 0.0, spec.to_C + spec.within_down_K)
    state = _rested(vector, state, spec)
    back_s = _cross(vector, state, spec.fan, 1.0, spec.from_C - spec.within_back_K)
    times: FloatArray = np.array([down_s, back_s]) + vector[P.DEAD]
    return times


def descent_C(
    vector: FloatArray, spec: DipSpec, times_s: FloatArray, board: BoardLoop | None = None
) -> FloatArray:
    """Logged temperature at rising times after the command down, never below the target."""
    if board is not None:
        setpoint_C = np.full(int(times_s[-1] / TICK_s) + 1, spec.to_C)
        fall_C = controlled_C(vector, board, spec.from_C, setpoint_C, spec.fan)
        ticks_s = TICK_s * np.arange(fall_C.size + 1)
        at_C = np.interp(times_s, ticks_s, np.concatenate(([spec.from_C], fall_C)))
        return np.maximum(at_C, spec.to_C)
    state = _hold(vector, spec.from_C, spec.fan)
    at, before_s = np.empty(times_s.size), 0.0
    for i, time_s in enumerate(np.maximum(times_s - vector[P.DEAD], 0.0)):
        advance(vector, state, time_s - before_s, 0.0, spec.fan, 0.0)
        before_s = float(time_s)
        at[i] = vector[P.AMBIENT] + state[2]
    logged: FloatArray = np.maximum(at, spec.to_C)
    return logged


def predict_dip(
    vector: FloatArray,
    spec: DipSpec,
    *,
    board: BoardLoop | None = None,
    draws: Sequence[FloatArray] = (),
    times: Sequence[Quantity] | None = None,
    basis: Basis = "fitted",
    confidence: float = 0.95,
) -> DipPrediction:
    """Times, commands and residual error of one dip.

    times: time down and time back with intervals, as a fit propagates them through `dip_times`;
    without them the intervals come from `draws`, other plausible parameter vectors.
    Errors: BadInput when the lower temperature is never reached.
    """
    values = dip_times(vector, spec, board)
    if not np.isfinite(values).all():
        raise BadInput(
            "the dip never gets there",
            value=f"{spec.from_C:g} to {spec.to_C:g} °C, fan {spec.fan:g}",
            remedy="choose a temperature that the hot end cools to and heats from",
        )
    if times is None:
        table = np.array([dip_times(draw, spec, board) for draw in draws]).reshape(-1, 2)
        times = [
            spread(float(value), table[:, i], "s", basis=basis, confidence=confidence)
            for i, value in enumerate(values)
        ]
    down, back = times
    return DipPrediction(
        spec=spec,
        time_down=down,
        time_back=back,
        earliest_command=_bound(down, down.high),
        latest_command=_bound(down, down.low),
        residual_K=_residuals(vector, spec, down, board),
    )


def _bound(down: Quantity, edge: float | None) -> Quantity:
    value = down.value if edge is None else edge
    return Quantity(value=value, unit="s", basis=down.basis)


def _residuals(
    vector: FloatArray, spec: DipSpec, down: Quantity, board: BoardLoop | None
) -> tuple[tuple[float, float], ...]:
    lead_s = np.linspace(0.0, (down.high or down.value) * 1.2, 13)
    excess_K = descent_C(vector, spec, lead_s, board) - spec.to_C
    return tuple(zip(lead_s.tolist(), excess_K.tolist(), strict=True))


def _hold(vector: FloatArray, temperature_C: float, fan: float) -> FloatArray:
    return _rises(vector, hold_state(vector, temperature_C, fan))


def _rises(vector: FloatArray, state: HeaterState) -> FloatArray:
    rises: FloatArray = state.temperatures_C - vector[P.AMBIENT]
    return rises


def _cross(vector: FloatArray, state: FloatArray, fan: float, duty: float, level_C: float) -> float:
    """Seconds until the sensor passes a level; `state` moves along."""
    phi = fan_effect(fan, vector[P.EXPONENT])
    level = np.array([level_C - vector[P.AMBIENT]])
    step_s = float(np.clip(0.1 / fastest_rate(vector), 0.002, 0.1))
    return float(crossing_times(vector, state, duty, phi, level, step_s, LONGEST_s)[0])


def _rested(vector: FloatArray, state: FloatArray, spec: DipSpec) -> FloatArray:
    """Near node and sensor at the lower temperature, far node and shell relaxed towards theirs."""
    low = _hold(vector, spec.to_C, spec.fan)
    if vector[P.EXCHANGE] > 0.0:
        phi = fan_effect(spec.fan, vector[P.EXPONENT])
        still = vector[P.LOSS] * vector[P.FAR_LOSS]
        shed = still * (1.0 + 2.0 * vector[P.GROWTH] * low[1]) + vector[P.FAR_FAN] * phi
        rate = vector[P.RATIO] * vector[P.EXCHANGE] + shed
        low[1] += (state[1] - low[1]) * np.exp(-rate * spec.rest_s)
    if vector[P.SHELL_EXCHANGE] > 0.0:
        shed = vector[P.SHELL_LOSS] * (1.0 + 2.0 * vector[P.GROWTH] * low[3])
        rate = vector[P.SHELL_RATIO] * vector[P.SHELL_EXCHANGE] + shed
        low[3] += (state[3] - low[3]) * np.exp(-rate * spec.rest_s)
    return low
