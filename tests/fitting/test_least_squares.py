"""The solver path against certified results.

Source: NIST Statistical Reference Datasets, nonlinear regression (www.itl.nist.gov/div898/strd),
files as distributed with lmfit's sources; certified values to 11 digits.
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from hotbench.core.arrays import FloatArray
from hotbench.fitting.least_squares import Normal, minimise

FOLDER = Path(__file__).parent / "nist"
Model = Callable[..., np.ndarray]
exp, cos, sin = np.exp, np.cos, np.sin


def _cubics(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    top = b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3
    return top / (1 + b[4] * x + b[5] * x**2 + b[6] * x**3)


def _peaks(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    first = b[2] * exp(-((x - b[3]) ** 2) / b[4] ** 2)
    return b[0] * exp(-b[1] * x) + first + b[5] * exp(-((x - b[6]) ** 2) / b[7] ** 2)


def _decays(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return b[0] * exp(-b[1] * x) + b[2] * exp(-b[3] * x) + b[4] * exp(-b[5] * x)


def _cycles(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    turn = 2 * np.pi * x
    year = b[0] + b[1] * cos(turn / 12) + b[2] * sin(turn / 12)
    second = b[4] * cos(turn / b[3]) + b[5] * sin(turn / b[3])
    return year + second + b[7] * cos(turn / b[6]) + b[8] * sin(turn / b[6])


def _saturating(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return b[0] * (1 - exp(-b[1] * x))


def _chwirut(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return exp(-b[0] * x) / (b[1] + b[2] * x)


MODELS: dict[str, Model] = {
    "Bennett5": lambda b, x: b[0] * (b[1] + x) ** (-1 / b[2]),
    "BoxBOD": _saturating,
    "Chwirut1": _chwirut,
    "Chwirut2": _chwirut,
    "DanWood": lambda b, x: b[0] * x ** b[1],
    "ENSO": _cycles,
    "Eckerle4": lambda b, x: b[0] / b[1] * exp(-0.5 * ((x - b[2]) / b[1]) ** 2),
    "Gauss1": _peaks,
    "Gauss2": _peaks,
    "Gauss3": _peaks,
    "Hahn1": _cubics,
    "Kirby2": lambda b, x: (b[0] + b[1] * x + b[2] * x**2) / (1 + b[3] * x + b[4] * x**2),
    "Lanczos1": _decays,
    "Lanczos2": _decays,
    "Lanczos3": _decays,
    "MGH09": lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
    "MGH10": lambda b, x: b[0] * exp(b[1] / (x + b[2])),
    "MGH17": lambda b, x: b[0] + b[1] * exp(-x * b[3]) + b[2] * exp(-x * b[4]),
    "Misra1a": _saturating,
    "Misra1b": lambda b, x: b[0] * (1 - (1 + b[1] * x / 2) ** -2),
    "Misra1c": lambda b, x: b[0] * (1 - (1 + 2 * b[1] * x) ** -0.5),
    "Misra1d": lambda b, x: b[0] * b[1] * x / (1 + b[1] * x),
    "Nelson": lambda b, x: b[0] - b[1] * x[0] * exp(-b[2] * x[1]),
    "Rat42": lambda b, x: b[0] / (1 + exp(b[1] - b[2] * x)),
    "Rat43": lambda b, x: b[0] / (1 + exp(b[1] - b[2] * x)) ** (1 / b[3]),
    "Roszman1": lambda b, x: b[0] - b[1] * x - np.arctan(b[2] / (x - b[3])) / np.pi,
    "Thurber": _cubics,
}


def read(name: str) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Response, predictors, second start and certified values."""
    lines = (FOLDER / f"{name}.dat").read_text(encoding="ascii").splitlines()
    begin = max(i for i, line in enumerate(lines) if line.startswith("Data:"))
    table = np.array([[float(v) for v in line.split()] for line in lines[begin + 1 :] if line])
    values = [line.split("=")[1].split() for line in lines[40:begin] if line.startswith("  b")]
    numbers = np.array([[float(v) for v in row] for row in values])
    x = table[:, 1] if table.shape[1] == 2 else table[:, 1:].T
    y = np.log(table[:, 0]) if name == "Nelson" else table[:, 0]
    return y, x, numbers[:, 1], numbers[:, 2]


def normal_of(model: Model, y: FloatArray, x: FloatArray) -> Callable[[FloatArray], Normal]:
    """Normal equations with derivatives by the complex step, exact to rounding."""

    def evaluate(b: FloatArray) -> Normal:
        with np.errstate(all="ignore"):
            residual = model(b, x) - y
            moved = [model(b + 1e-30j * np.eye(b.size)[k], x).imag / 1e-30 for k in range(b.size)]
        jacobian = np.array(moved).T
        return Normal(jacobian.T @ jacobian, jacobian.T @ residual, float(residual @ residual))

    return evaluate


@pytest.mark.parametrize("name", sorted(MODELS))
def test_certified_values_are_met_to_six_digits_from_the_second_start(name: str) -> None:
    y, x, start, certified = read(name)
    free = [(-np.inf, np.inf)] * start.size
    found = minimise(normal_of(MODELS[name], y, x), start, free, evaluations=5000, tolerance=3e-16)
    np.testing.assert_allclose(found.at, certified, rtol=1e-6)
