"""Heater models: one registry, simulated exactly on logged inputs.

With x = T - ambient, near node 1 (heater and sensor's surroundings), far node 2 and shell 3:
  x1' = b u (1 - c x1) - x1 (a (1 + q |x1|) + af1 f^m + l Q) - g (x1 - x2) - g3 (x1 - x3)
  x2' = r g (x1 - x2) - x2 (d a (1 + q |x2|) + af2 f^m)
  x3' = r3 g3 (x1 - x3) - x3 a3 (1 + q |x3|)
  y'  = (x1 - y) / tau,   measured(t) = ambient + y(t - theta)
u duty and f fan speed as fractions, Q flow in mm3/s, d the far node's loss over the near node's
(1 in the models without that term). The shell is the insulation, which the fan does not reach.
All in K/s, because only power over heat capacity shows in a
temperature record. The lower orders are the same equations with terms left out; first and second
order are linear and propagated exactly.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput, unknown_key
from hotbench.models.heater_steps import P, fan_effect
from hotbench.models.heater_traces import trace_linear, trace_nodes
from hotbench.models.parameters import Parameter, checked

_BALANCE = "heat balance of a lumped node, divided by its heat capacity"
_CROSS_FLOW = "forced convection across a cylinder: Nu ~ Re^n, n 0.4 to 0.8 (Incropera ch. 7)"

PARAMETERS: dict[P, Parameter] = {
    P.HEATING: Parameter(
        "heating_K_per_s", "K/s", 0.0001, 1000.0, 3.0, _BALANCE, title="heating at full duty"
    ),
    P.FALLOFF: Parameter(
        "falloff_per_K",
        "1/K",
        -0.001,
        0.004,
        0.0002,
        "resistance rising with temperature",
        logarithmic=False,
        title="falloff of the heating",
    ),
    P.LOSS: Parameter(
        "loss_per_s", "1/s", 1e-07, 1.0, 0.004, _BALANCE, title="loss of the near node"
    ),
    P.GROWTH: Parameter(
        "loss_growth_per_K",
        "1/K",
        0.0,
        0.05,
        0.002,
        "free convection and radiation grow faster than the temperature difference",
        logarithmic=False,
        title="growth of the loss",
    ),
    P.FAN: Parameter("fan_loss_per_s", "1/s", 1e-06, 2.0, 0.005, _BALANCE, title="loss to the fan"),
    P.EXPONENT: Parameter(
        "fan_exponent",
        "",
        0.2,
        1.2,
        0.55,
        _CROSS_FLOW,
        logarithmic=False,
        title="exponent of the fan's effect",
    ),
    P.EXCHANGE: Parameter(
        "exchange_per_s", "1/s", 0.0001, 5.0, 0.05, _BALANCE, title="exchange between the nodes"
    ),
    P.RATIO: Parameter(
        "capacity_ratio", "", 0.5, 20.0, 1.0, _BALANCE, title="capacity, near over far"
    ),
    P.FAR_FAN: Parameter(
        "far_fan_loss_per_s", "1/s", 1e-06, 2.0, 0.005, _BALANCE, title="far node's loss to the fan"
    ),
    P.LAG: Parameter(
        "sensor_lag_s", "s", 0.01, 1000.0, 1.0, "first-order sensor", title="sensor lag"
    ),
    P.DEAD: Parameter(
        "dead_time_s",
        "s",
        0.0,
        100.0,
        0.2,
        "transport and reporting delay",
        logarithmic=False,
        title="dead time",
    ),
    P.LOAD: Parameter(
        "load_per_mm3",
        "1/mm3",
        1e-08,
        0.1,
        0.0001,
        "enthalpy of the filament",
        title="load of the filament",
    ),
    P.FAR_LOSS: Parameter(
        "far_loss_ratio", "", 0.02, 500.0, 1.0, _BALANCE, title="loss, far over near"
    ),
    P.SHELL_EXCHANGE: Parameter(
        "shell_exchange_per_s", "1/s", 0.0001, 5.0, 0.005, _BALANCE, title="exchange with the shell"
    ),
    P.SHELL_RATIO: Parameter(
        "shell_capacity_ratio", "", 1.0, 100.0, 5.0, _BALANCE, title="capacity, near over shell"
    ),
    P.SHELL_LOSS: Parameter(
        "shell_loss_per_s", "1/s", 1e-06, 1.0, 0.004, _BALANCE, title="loss of the shell"
    ),
}
"""Every parameter the family knows, by its place in the kernels' vector."""

_GROUPS = {
    "heating": "heating",
    "loss": "loss",
    "fan_loss": "loss to the fan",
    "load_per_flow": "heat load of the flow",
}


def plain_name(name: str) -> str:
    """What people call a parameter or a group of them; other names as they are."""
    titles = {parameter.name: parameter.title for parameter in PARAMETERS.values()}
    return titles.get(name) or _GROUPS.get(name, name)


_FAN = (P.FAN, P.EXPONENT)
_LINEAR = (P.HEATING, P.LOSS, *_FAN, P.DEAD, P.LOAD)
_ONE = (P.HEATING, P.FALLOFF, P.LOSS, P.GROWTH, *_FAN, P.LAG, P.DEAD, P.LOAD)
_TWO = (*_ONE, P.EXCHANGE, P.RATIO, P.FAR_FAN, P.FAR_LOSS)


START = [P.NEAR_0, P.FAR_0, P.SENSOR_0, P.SHELL_0]
"""Places of the starting temperatures, in the order of `heater_steps.Node`."""


def blank_vector() -> FloatArray:
    """The kernels' parameter vector of a model without any term."""
    vector = np.zeros(len(P))
    vector[P.FAR_LOSS] = 1.0
    return vector


@dataclass(frozen=True)
class HeaterModel:
    """A member of the family: which terms it has. linear: propagated exactly."""

    name: str
    title: str
    places: tuple[P, ...]
    linear: bool

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Declarations, in the order of `places`."""
        return tuple(PARAMETERS[place] for place in self.places)

    def vector(
        self, values: Mapping[str, float], ambient_C: float, start: "HeaterState | None" = None
    ) -> FloatArray:
        """The kernels' parameter vector; terms this model lacks are zero.

        Errors: BadInput on unknown names.
        """
        full = checked(values, self.parameters, where=self.name)
        vector = blank_vector()
        for place in self.places:
            vector[place] = full[PARAMETERS[place].name]
        vector[P.AMBIENT] = ambient_C
        state = start or HeaterState.uniform(ambient_C)
        vector[START] = state.temperatures_C
        return vector


@dataclass(frozen=True, slots=True)
class HeaterState:
    """Temperatures of the near node, the far node, the sensor and the shell, C."""

    near_C: float
    far_C: float
    sensor_C: float
    shell_C: float

    @classmethod
    def uniform(cls, temperature_C: float) -> "HeaterState":
        """Everything at one temperature, as before a cold start."""
        return cls(temperature_C, temperature_C, temperature_C, temperature_C)

    @property
    def temperatures_C(self) -> FloatArray:
        """In the order of `heater_steps.Node`, as the kernels take them; shape (4,)."""
        return np.array([self.near_C, self.far_C, self.sensor_C, self.shell_C])


@dataclass(frozen=True)
class Trace:
    """A simulated record; one entry per time stamp, C. temperature_C is what the log shows."""

    temperature_C: FloatArray
    near_C: FloatArray
    far_C: FloatArray


HEATER_MODELS: dict[str, HeaterModel] = {
    model.name: model
    for model in (
        HeaterModel("first-order", "first order + dead time", _LINEAR, linear=True),
        HeaterModel("second-order", "second order + dead time", (*_LINEAR, P.LAG), linear=True),
        HeaterModel("one-node", "one lumped node with losses", _ONE, linear=False),
        HeaterModel(
            "two-node",
            "two nodes, temperature-dependent power, a loss each (2N+c)",
            _TWO,
            linear=False,
        ),
        HeaterModel(
            "three-node",
            "two nodes and a shell of insulation (2N+c and shell)",
            (*_TWO, P.SHELL_EXCHANGE, P.SHELL_RATIO, P.SHELL_LOSS),
            linear=False,
        ),
    )
}
"""From the smallest to the largest."""


def heater_model(name: str) -> HeaterModel:
    """The model called `name`; BadInput with the nearest name when there is none."""
    if name not in HEATER_MODELS:
        raise unknown_key(name, HEATER_MODELS, where="heater model")
    return HEATER_MODELS[name]


def simulate(
    model_name: str,
    parameters: Mapping[str, float],
    time_s: FloatArray,
    duty: FloatArray,
    fan: FloatArray,
    flow_mm3_per_s: FloatArray,
    ambient_C: float,
    start: HeaterState | None = None,
    *,
    lead_s: float = 0.0,
) -> Trace:
    """What the log would show: inputs hold from lead_s before a time stamp to that of the next.

    time_s, duty, fan, flow_mm3_per_s: shape (n,), time not decreasing; start None: cold, all at
    ambient. lead_s: 0 where the time stamps are those of the inputs; half the interval where the
    inputs were only sampled then. Parameters not given take their declared defaults. Errors:
    BadInput on unknown names, on unequal shapes and on inputs that are not finite.
    """
    model = heater_model(model_name)
    inputs = [
        np.ascontiguousarray(a, dtype=np.float64) for a in (time_s, duty, fan, flow_mm3_per_s)
    ]
    _check_inputs(inputs)
    vector = model.vector(parameters, ambient_C, start)
    vector[P.DEAD] -= lead_s
    rises = trace_vector(model, vector, *inputs)
    return Trace(*(ambient_C + rises[row] for row in (2, 0, 1)))


def trace_vector(
    model: HeaterModel,
    vector: FloatArray,
    time_s: FloatArray,
    duty: FloatArray,
    fan: FloatArray,
    flow_mm3_per_s: FloatArray,
) -> FloatArray:
    """Rises of near node, far node and logged temperature, K; shape (3, n); inputs unchecked."""
    trace = trace_linear if model.linear else trace_nodes
    rises: FloatArray = trace(vector, time_s, duty, fan, flow_mm3_per_s)
    return rises


def _check_inputs(inputs: list[FloatArray]) -> None:
    if len({array.shape for array in inputs}) != 1 or inputs[0].ndim != 1 or not inputs[0].size:
        raise BadInput(
            "time, duty, fan and flow need one value per sample",
            where="heater simulation",
            value=", ".join(str(array.shape) for array in inputs),
        )
    if not all(np.isfinite(array).all() for array in inputs):
        raise BadInput("inputs must be finite numbers", where="heater simulation")
    if np.any(np.diff(inputs[0]) < 0.0):
        raise BadInput("time must not decrease", where="heater simulation")


@dataclass(frozen=True, slots=True)
class Hold:
    """A steady hold: rises of the far node and the shell above ambient, K, and the duty."""

    far_K: float
    shell_K: float
    duty: float


def hold_of(vector: FloatArray, rise_K: float, fan: float = 0.0) -> Hold:
    """The steady hold with near node and sensor at `rise_K`.

    A side node's balance k (x1 - x) = x (s (1 + q |x|) + f) is a quadratic in x.
    """
    phi, growth = fan_effect(fan, vector[P.EXPONENT]), vector[P.GROWTH]
    still = vector[P.LOSS] * vector[P.FAR_LOSS]
    supply = vector[P.RATIO] * vector[P.EXCHANGE]
    far_K = _side_rise(supply, still, vector[P.FAR_FAN] * phi, growth, rise_K)
    wrap = vector[P.SHELL_RATIO] * vector[P.SHELL_EXCHANGE]
    shell_K = _side_rise(wrap, vector[P.SHELL_LOSS], 0.0, growth, rise_K)
    shed = vector[P.LOSS] * (1.0 + growth * abs(rise_K)) + vector[P.FAN] * phi
    need = shed * rise_K + vector[P.EXCHANGE] * (rise_K - far_K)
    need += vector[P.SHELL_EXCHANGE] * (rise_K - shell_K)
    power = vector[P.HEATING] * (1.0 - vector[P.FALLOFF] * rise_K)
    return Hold(far_K, shell_K, float(need / power))


def _side_rise(supply: float, still: float, forced: float, growth: float, rise_K: float) -> float:
    """Rise x of a side node: supply (near - x) = x (still (1 + growth x) + forced), 1/s."""
    size, linear = abs(rise_K), supply + still + forced
    if linear == 0.0:
        return rise_K
    root = np.sqrt(linear**2 + 4.0 * still * growth * supply * size)
    return float(np.copysign(2.0 * supply * size / (linear + root), rise_K))


def hold_state(vector: FloatArray, temperature_C: float, fan: float = 0.0) -> HeaterState:
    """The steady state with the sensor held at `temperature_C`."""
    ambient_C = float(vector[P.AMBIENT])
    hold = hold_of(vector, temperature_C - ambient_C, fan)
    far_C, shell_C = ambient_C + hold.far_K, ambient_C + hold.shell_K
    return HeaterState(temperature_C, far_C, temperature_C, shell_C)
