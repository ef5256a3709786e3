import numpy as np
import pytest
from heater_logs import AMBIENT_C, WRAPPED, columns

from hotbench.fitting.heater_sums import Sums, walk_linear, walk_nodes
from hotbench.fitting.heater_tangents import WIDTH
from hotbench.models.heater import HEATER_MODELS, HeaterState, heater_model, trace_vector
from hotbench.models.heater_steps import P

SESSION = (
    ("heat", 30.0, 1.0, 0.0, 0.0),
    ("cool", 40.0, 0.0, 0.6, 0.0),
    ("extrude", 30.0, 0.5, 0.3, 5.0),
)
NOTHING = np.zeros(0)
NO_PRODUCTS, NO_TALLY = np.zeros((0, WIDTH + 1, WIDTH + 1)), np.zeros((0, 0))


def setting(name: str) -> tuple:
    model = heater_model(name)
    values = {p.name: WRAPPED[p.name] for p in model.parameters}
    vector = model.vector(values, AMBIENT_C, HeaterState(90.0, 70.0, 80.0, 60.0))
    time_s, inputs, _ = columns(SESSION, 0.2, 3)
    return model, vector, time_s, [np.ascontiguousarray(column) for column in inputs.T]


def walked(name: str, *, huber_K: float = np.inf, log_C: float = 0.0) -> tuple:
    model, vector, time_s, inputs = setting(name)
    count = time_s.size
    out, rows, sums = np.zeros(count), np.zeros((count, WIDTH)), Sums.zeros(2)
    segment = (np.arange(count) > 200).astype(np.int32)
    segment[5] = -1
    walk = walk_linear if model.linear else walk_nodes
    log = np.full(count, log_C)
    weight = np.linspace(0.5, 1.5, count)
    walk(
        vector,
        time_s,
        time_s,
        log,
        *inputs,
        segment,
        weight,
        huber_K,
        out,
        rows,
        sums.products,
        sums.tally,
    )
    return out, rows, sums, segment, weight


@pytest.mark.parametrize("name", list(HEATER_MODELS))
def test_predictions_are_the_models_own(name: str) -> None:
    model, vector, time_s, inputs = setting(name)
    expected = AMBIENT_C + trace_vector(model, vector, time_s, *inputs)[2]
    np.testing.assert_allclose(walked(name)[0], expected, atol=1e-4)


@pytest.mark.parametrize("name", list(HEATER_MODELS))
def test_derivatives_are_those_of_central_differences(name: str) -> None:
    model, vector, time_s, inputs = setting(name)
    rows = walked(name)[1]
    places = [*model.places, P.AMBIENT, P.NEAR_0]
    places += [P.FAR_0] if P.EXCHANGE in model.places else []
    places += [P.SHELL_0] if P.SHELL_EXCHANGE in model.places else []
    for place in places:
        step = 1e-5 * max(abs(vector[place]), 1e-2)
        sides = []
        for sign in (1.0, -1.0):
            moved = vector.copy()
            moved[place] += sign * step
            sides.append(moved[P.AMBIENT] + trace_vector(model, moved, time_s, *inputs)[2])
        expected = (sides[0] - sides[1]) / (2 * step)
        scale = np.max(np.abs(expected))
        np.testing.assert_allclose(rows[:, place], expected, atol=2e-5 * scale, err_msg=place.name)


@pytest.mark.parametrize("name", list(HEATER_MODELS))
def test_sums_are_the_products_of_the_rows(name: str) -> None:
    out, rows, sums, segment, weight = walked(name, log_C=60.0)
    for number in (0, 1):
        mine = segment == number
        bordered = np.column_stack([rows, out - 60.0])[mine]
        expected = (bordered * weight[mine, None]).T @ bordered
        np.testing.assert_allclose(sums.products[number], expected, rtol=1e-9, atol=1e-6)
        squares = np.sum((out - 60.0)[mine] ** 2)
        np.testing.assert_allclose(sums.tally[number, 1:], [squares, mine.sum()])


def test_robust_cost_grows_linearly_beyond_its_limit() -> None:
    out, rows, sums, segment, weight = walked("two-node", huber_K=2.0, log_C=60.0)
    size = np.abs(out - 60.0)
    rho = np.where(size <= 2.0, size**2, 2.0 * 2.0 * size - 4.0)
    mine = segment == 0
    assert sums.tally[0, 0] == pytest.approx(np.sum((weight * rho)[mine]))
    pull = np.clip(out - 60.0, -2.0, 2.0)
    gradient = (weight * pull)[mine] @ rows[mine]
    np.testing.assert_allclose(sums.products[0, -1, :-1], gradient, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("name", list(HEATER_MODELS))
def test_what_has_faded_leaves_no_denormal_numbers_to_walk_with(name: str) -> None:
    """They are an order of magnitude slower, which made long logs dearer per sample."""
    model, vector, *_ = setting(name)
    time_s = 5.0 * np.arange(400_000)
    heated = np.where(np.arange(time_s.size) < 20, 1.0, 0.0)
    count = time_s.size
    out, rows = np.zeros(count), np.zeros((count, WIDTH))
    walk = walk_linear if model.linear else walk_nodes
    walk(
        vector,
        time_s,
        time_s,
        out,
        heated,
        heated,
        np.zeros(count),
        np.zeros(count, dtype=np.int32),
        np.ones(count),
        np.inf,
        out,
        rows,
        NO_PRODUCTS,
        NO_TALLY,
    )
    assert rows[100, P.HEATING] != 0.0
    size = np.abs(rows)
    assert not np.any((size > 0.0) & (size < np.finfo(float).tiny))
    np.testing.assert_array_equal(rows[-1, [P.HEATING, P.FAN, P.NEAR_0, P.DEAD]], 0.0)
    assert rows[-1, P.AMBIENT] == 1.0
    assert out[-1] == vector[P.AMBIENT]
