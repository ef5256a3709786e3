"""Compiled forward sensitivities of the heater models: one step with all derivatives."""

import numpy as np
from numba import njit

from hotbench.core.arrays import FloatArray
from hotbench.models.heater_steps import (
    LEAST_LAG_s,
    P,
    far_rate,
    near_rate,
    relative_exp,
    shell_rate,
)

WIDTH = 20
"""Derivatives carried along: one per place in the parameter vector but the sensor's start."""
BARE_WIDTH = 16
"""Those of the models without a shell; the shell's places come last."""


Three = tuple[float, float, float]
Four = tuple[float, float, float, float]
Stages = tuple[Four, Four, Four, Four]
Pushes = tuple[Four, Four, Four, float]
"""What rates of near, far and shell do to near, far, sensor and shell; the sensor's to itself."""


@njit(cache=True)
def width_of(p: FloatArray) -> int:
    """How many derivatives this model needs."""
    return WIDTH if p[P.SHELL_EXCHANGE] > 0.0 else BARE_WIDTH


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def start_tangents(tangents: FloatArray) -> None:
    """Derivatives of the starting rises; shape (4, WIDTH): near, far, sensor, shell."""
    tangents[:] = 0.0
    tangents[0, P.NEAR_0] = tangents[1, P.FAR_0] = tangents[3, P.SHELL_0] = 1.0
    tangents[:, P.AMBIENT] = -1.0


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _own_rates(
    p: FloatArray, near: float, far: float, shell: float, u: float, phi: float, flow: float
) -> tuple[float, float, float]:
    """Derivatives of the rates of near, far and shell by their own rise."""
    growth, loss = 2.0 * p[P.GROWTH], p[P.LOSS]
    of_near = -p[P.HEATING] * u * p[P.FALLOFF] - loss * (1.0 + growth * abs(near))
    of_near -= p[P.FAN] * phi + p[P.LOAD] * flow + p[P.EXCHANGE] + p[P.SHELL_EXCHANGE]
    of_far = -loss * p[P.FAR_LOSS] * (1.0 + growth * abs(far)) - p[P.FAR_FAN] * phi
    of_far -= p[P.RATIO] * p[P.EXCHANGE]
    of_shell = -p[P.SHELL_LOSS] * (1.0 + growth * abs(shell))
    of_shell -= p[P.SHELL_RATIO] * p[P.SHELL_EXCHANGE]
    return of_near, of_far, of_shell


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _mixed(a: float, x: Four, b: float, y: Four) -> Four:
    """a x + b y."""
    return (
        a * x[0] + b * y[0],
        a * x[1] + b * y[1],
        a * x[2] + b * y[2],
        a * x[3] + b * y[3],
    )


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _total(w: Stages, v: Four) -> Four:
    """Sum over the stages of w_i v_i."""
    a, b, c, d = w
    return (
        a[0] * v[0] + b[0] * v[1] + c[0] * v[2] + d[0] * v[3],
        a[1] * v[0] + b[1] * v[1] + c[1] * v[2] + d[1] * v[3],
        a[2] * v[0] + b[2] * v[1] + c[2] * v[2] + d[2] * v[3],
        a[3] * v[0] + b[3] * v[1] + c[3] * v[2] + d[3] * v[3],
    )


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _grown(rises: Four) -> Four:
    a, b, c, d = rises
    return a * abs(a), b * abs(b), c * abs(c), d * abs(d)


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _earlier(p: FloatArray, w: Pushes, own: Three) -> Pushes:
    """w A, with A the Jacobian of the rates."""
    near, far, shell, sensor = w
    keep, link, wrap = 1.0 / p[P.LAG], p[P.EXCHANGE], p[P.SHELL_EXCHANGE]
    passed = _mixed(p[P.RATIO] * link, far, p[P.SHELL_RATIO] * wrap, shell)
    n, f, y, c = _mixed(own[0], near, 1.0, passed)
    return (
        (n, f, y + keep * sensor, c),
        _mixed(link, near, own[1], far),
        _mixed(wrap, near, own[2], shell),
        -keep * sensor,
    )


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _onward(by: float, w: Pushes, rest: float) -> Pushes:
    """by w + rest, the latter on the diagonal."""
    return (
        _mixed(by, w[0], rest, (1.0, 0.0, 0.0, 0.0)),
        _mixed(by, w[1], rest, (0.0, 1.0, 0.0, 0.0)),
        _mixed(by, w[2], rest, (0.0, 0.0, 0.0, 1.0)),
        by * w[3] + rest,
    )


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _carried(s: FloatArray, near: Four, far: Four, sensor: float) -> None:
    """Tangents at the end of a step by those at its begin."""
    for j in range(BARE_WIDTH):
        n, f, y = s[0, j], s[1, j], s[2, j]
        s[0, j] = near[0] * n + far[0] * f
        s[1, j] = near[1] * n + far[1] * f
        s[2, j] = near[2] * n + far[2] * f + sensor * y


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _carried_shell(s: FloatArray, near: Four, far: Four, shell: Four, sensor: float) -> None:
    """As `_carried` with a shell."""
    for j in range(WIDTH):
        n, f, y, c = s[0, j], s[1, j], s[2, j], s[3, j]
        s[0, j] = near[0] * n + far[0] * f + shell[0] * c
        s[1, j] = near[1] * n + far[1] * f + shell[1] * c
        s[2, j] = near[2] * n + far[2] * f + shell[2] * c + sensor * y
        s[3, j] = near[3] * n + far[3] * f + shell[3] * c


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _pushed(
    p: FloatArray,
    s: FloatArray,
    to_near: Stages,
    to_far: Stages,
    nears: Four,
    fars: Four,
    inputs: Four,
    nodes: int,
) -> None:
    """Add what the parameters do through the rates of near and far."""
    u, phi, log_fan, flow = inputs
    one = _total(to_near, (1.0, 1.0, 1.0, 1.0))
    near, near_2, drawn = (
        _total(to_near, nears),
        _total(to_near, _grown(nears)),
        _total(to_near, fars),
    )
    far, far_2, fed = _total(to_far, fars), _total(to_far, _grown(fars)), _total(to_far, nears)
    heating, falloff, loss, growth = p[P.HEATING], p[P.FALLOFF], p[P.LOSS], p[P.GROWTH]
    fan, far_fan, far_loss = p[P.FAN], p[P.FAR_FAN], p[P.FAR_LOSS]
    exchange, ratio = p[P.EXCHANGE], p[P.RATIO]
    for i in range(nodes):
        far_shed = far[i] + growth * far_2[i]
        s[i, P.HEATING] += u * (one[i] - falloff * near[i])
        s[i, P.FALLOFF] -= heating * u * near[i]
        s[i, P.LOSS] -= near[i] + growth * near_2[i] + far_loss * far_shed
        s[i, P.GROWTH] -= loss * (near_2[i] + far_loss * far_2[i])
        s[i, P.FAN] -= phi * near[i]
        s[i, P.EXPONENT] -= phi * log_fan * (fan * near[i] + far_fan * far[i])
        s[i, P.EXCHANGE] += drawn[i] - near[i] + ratio * (fed[i] - far[i])
        s[i, P.LOAD] -= flow * near[i]
        s[i, P.RATIO] += exchange * (fed[i] - far[i])
        s[i, P.FAR_FAN] -= phi * far[i]
        s[i, P.FAR_LOSS] -= loss * far_shed


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _pushed_shell(
    p: FloatArray,
    s: FloatArray,
    to_near: Stages,
    to_shell: Stages,
    nears: Four,
    shells: Four,
) -> None:
    """Add what the shell's parameters do."""
    near, drawn = _total(to_near, nears), _total(to_near, shells)
    shell, fed = _total(to_shell, shells), _total(to_shell, nears)
    shell_2 = _total(to_shell, _grown(shells))
    for i in range(4):
        s[i, P.SHELL_EXCHANGE] += drawn[i] - near[i] + p[P.SHELL_RATIO] * (fed[i] - shell[i])
        s[i, P.SHELL_RATIO] += p[P.SHELL_EXCHANGE] * (fed[i] - shell[i])
        s[i, P.SHELL_LOSS] -= shell[i] + p[P.GROWTH] * shell_2[i]
        s[i, P.GROWTH] -= p[P.SHELL_LOSS] * shell_2[i]


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _answer(
    p: FloatArray,
    s: FloatArray,
    h: float,
    rises: Stages,
    own: tuple[Three, Three, Three, Three],
    inputs: Four,
) -> None:
    """Tangents at the end of a classical Runge-Kutta step, by the step's adjoint.

    What a rate at stage i does to the end is w_i = (h/6, h/3, h/3, h/6)_i + (h/2, h/2, h, 0)_i
    w_(i+1) A_(i+1), with A_i the rates' Jacobian; what the begin does is 1 + sum w_i A_i.
    """
    nears, fars, sensors, shells = rises
    sixth = h / 6.0
    nothing = (0.0, 0.0, 0.0, 0.0)
    w4 = _onward(0.0, (nothing, nothing, nothing, 0.0), sixth)
    z4 = _earlier(p, w4, own[3])
    w3 = _onward(h, z4, 2.0 * sixth)
    z3 = _earlier(p, w3, own[2])
    w2 = _onward(0.5 * h, z3, 2.0 * sixth)
    z2 = _earlier(p, w2, own[1])
    w1 = _onward(0.5 * h, z2, sixth)
    z1 = _earlier(p, w1, own[0])
    ones = (1.0, 1.0, 1.0, 1.0)
    near, far, shell, sensor = _onward(
        1.0,
        (
            _total((z1[0], z2[0], z3[0], z4[0]), ones),
            _total((z1[1], z2[1], z3[1], z4[1]), ones),
            _total((z1[2], z2[2], z3[2], z4[2]), ones),
            z1[3] + z2[3] + z3[3] + z4[3],
        ),
        1.0,
    )
    to_near, to_far = (w1[0], w2[0], w3[0], w4[0]), (w1[1], w2[1], w3[1], w4[1])
    if p[P.SHELL_EXCHANGE] > 0.0:
        _carried_shell(s, near, far, shell, sensor)
        _pushed(p, s, to_near, to_far, nears, fars, inputs, 4)
        _pushed_shell(p, s, to_near, (w1[2], w2[2], w3[2], w4[2]), nears, shells)
    else:
        _carried(s, near, far, sensor)
        _pushed(p, s, to_near, to_far, nears, fars, inputs, 3)
    lagging = w1[3] * (nears[0] - sensors[0]) + w2[3] * (nears[1] - sensors[1])
    lagging += w3[3] * (nears[2] - sensors[2]) + w4[3] * (nears[3] - sensors[3])
    s[2, P.LAG] -= lagging / p[P.LAG] ** 2


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _rates(p: FloatArray, x: Four, inputs: Four) -> Four:
    """Rates of near, far, sensor and shell."""
    n, f, y, c = x
    u, phi, _, flow = inputs
    return (
        near_rate(p, n, f, c, u, phi, flow),
        far_rate(p, n, f, phi),
        (n - y) / p[P.LAG],
        shell_rate(p, n, c),
    )


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def tangent_stride(p: FloatArray, x: FloatArray, s: FloatArray, h: float, inputs: Four) -> None:
    """One classical Runge-Kutta step of state and tangents, in place.

    x: rises of near, far, sensor, shell; s: (4, WIDTH); inputs: duty, the fan's effect, the
    logarithm of its speed, flow. The equations are those of `models.heater_steps`.
    """
    u, phi, _, flow = inputs
    x1 = (x[0], x[1], x[2], x[3])
    d1 = _rates(p, x1, inputs)
    x2 = _mixed(1.0, x1, 0.5 * h, d1)
    d2 = _rates(p, x2, inputs)
    x3 = _mixed(1.0, x1, 0.5 * h, d2)
    d3 = _rates(p, x3, inputs)
    x4 = _mixed(1.0, x1, h, d3)
    d4 = _rates(p, x4, inputs)
    for i in range(4):
        x[i] += h / 6.0 * (d1[i] + 2.0 * (d2[i] + d3[i]) + d4[i])
    rises = (
        (x1[0], x2[0], x3[0], x4[0]),
        (x1[1], x2[1], x3[1], x4[1]),
        (x1[2], x2[2], x3[2], x4[2]),
        (x1[3], x2[3], x3[3], x4[3]),
    )
    own = (
        _own_rates(p, x1[0], x1[1], x1[3], u, phi, flow),
        _own_rates(p, x2[0], x2[1], x2[3], u, phi, flow),
        _own_rates(p, x3[0], x3[1], x3[3], u, phi, flow),
        _own_rates(p, x4[0], x4[1], x4[3], u, phi, flow),
    )
    _answer(p, s, h, rises, own, inputs)


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def _share_slope(z: float) -> float:
    """Derivative of (1 - exp(-z)) / z."""
    if abs(z) < 1e-3:
        return -0.5 + z / 3.0 - z * z / 8.0 + z**3 / 30.0
    slope: float = (np.exp(-z) * (1.0 + z) - 1.0) / (z * z)
    return slope


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def rate_and_target(
    p: FloatArray, u: float, phi: float, log_fan: float, flow: float, weights: FloatArray
) -> tuple[float, float]:
    """Rate k and target of the first-order part; weights (2, WIDTH): their derivatives."""
    k = p[P.LOSS] + p[P.FAN] * phi + p[P.LOAD] * flow
    target = p[P.HEATING] * u / k
    weights[:] = 0.0
    weights[0, P.LOSS] = 1.0
    weights[0, P.FAN] = phi
    weights[0, P.EXPONENT] = p[P.FAN] * phi * log_fan
    weights[0, P.LOAD] = flow
    for j in range(BARE_WIDTH):
        weights[1, j] = -target / k * weights[0, j]
    weights[1, P.HEATING] = u / k
    return k, target


@njit(cache=True, error_model="numpy", fastmath={"contract"})
def linear_tangents(
    p: FloatArray,
    x: FloatArray,
    s: FloatArray,
    d: float,
    k: float,
    target: float,
    weights: FloatArray,
    to_x: FloatArray,
    to_s: FloatArray,
) -> float:
    """Exact state and tangents of the linear models `d` seconds on; returns the sensor's slope.

    x, to_x: near and sensor at places 0 and 2; s, to_s: (4, WIDTH); k, target and weights as
    `rate_and_target` gives them. The equations are those of `models.heater_steps.linear_step`.
    """
    tau, decay = p[P.LAG], np.exp(-k * d)
    near, sensor = x[0] - target, x[2] - target
    to_x[0] = target + near * decay
    if tau <= LEAST_LAG_s:
        to_x[2] = to_x[0]
        for j in range(BARE_WIDTH):
            moved = decay * s[0, j] + (1.0 - decay) * weights[1, j]
            to_s[0, j] = moved - d * near * decay * weights[0, j]
            to_s[2, j] = to_s[0, j]
        near_slope: float = -k * near * decay
        return near_slope
    kept, z = np.exp(-d / tau), d * (1.0 / tau - k)
    share = decay * d / tau * relative_exp(z)
    bend = decay * d / tau * _share_slope(z)
    to_x[2] = target + sensor * kept + near * share
    by_rate = near * (-d * share - d * bend)
    for j in range(BARE_WIDTH):
        moved = decay * s[0, j] + (1.0 - decay) * weights[1, j]
        to_s[0, j] = moved - d * near * decay * weights[0, j]
        to_s[2, j] = kept * s[2, j] + share * s[0, j] + by_rate * weights[0, j]
        to_s[2, j] += (1.0 - kept - share) * weights[1, j]
    to_s[2, P.LAG] += sensor * kept * d / tau**2 - near * (share / tau + d / tau**2 * bend)
    sensor_slope: float = (to_x[0] - to_x[2]) / tau
    return sensor_slope
