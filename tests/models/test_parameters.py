import pytest

from hotbench.core.errors import BadInput
from hotbench.models.parameters import Parameter, checked

GAIN = Parameter("gain", "K/s", 0.1, 10.0, 1.0, "test")
SHIFT = Parameter("shift", "K", -1.0, 1.0, 0.0, "test", logarithmic=False)


@pytest.mark.parametrize(("parameter", "value"), [(GAIN, 3.0), (SHIFT, -0.5)])
def test_inner_and_outer_are_inverse(parameter: Parameter, value: float) -> None:
    assert parameter.outer(parameter.inner(value)) == pytest.approx(value)


@pytest.mark.parametrize(("parameter", "value"), [(GAIN, 3.0), (SHIFT, -0.5)])
def test_slope_is_the_derivative_by_the_inner_coordinate(
    parameter: Parameter, value: float
) -> None:
    inner, step = parameter.inner(value), 1e-6
    change = parameter.outer(inner + step) - parameter.outer(inner - step)
    assert parameter.slope(value) == pytest.approx(change / (2 * step), rel=1e-6)


def test_clipped_to_the_bounds() -> None:
    assert GAIN.clipped(99.0) == 10.0
    assert SHIFT.clipped(-9.0) == -1.0


def test_declarations_that_contradict_themselves_are_refused() -> None:
    with pytest.raises(ValueError, match="outside"):
        Parameter("gain", "K/s", 0.1, 10.0, 20.0, "test")
    with pytest.raises(ValueError, match="positive low bound"):
        Parameter("gain", "K/s", 0.0, 10.0, 1.0, "test")


def test_defaults_fill_what_is_not_given() -> None:
    assert checked({"gain": 2.0}, [GAIN, SHIFT], where="model") == {"gain": 2.0, "shift": 0.0}


def test_unknown_name_suggests_the_nearest() -> None:
    with pytest.raises(BadInput, match="did you mean 'gain'"):
        checked({"gian": 2.0}, [GAIN, SHIFT], where="model")


def test_a_value_that_is_no_number_is_refused() -> None:
    with pytest.raises(BadInput, match="finite"):
        checked({"gain": float("nan")}, [GAIN], where="model")
