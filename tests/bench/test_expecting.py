"""The watch's expectation: exact on its own model, silent where it cannot tell."""

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hotbench.bench.connecting import LinkOptions
from hotbench.bench.expecting import Expectation, FORGET_s, expectation_from
from hotbench.core.errors import BadInput, WatchTripped
from hotbench.core.records import Sample
from hotbench.link.watch import Watch, WatchLimits
from hotbench.models.heater import simulate

ROOM_C = 23.0
TWO_NODE = {
    "heating_K_per_s": 20.0,
    "falloff_per_K": 5e-4,
    "loss_per_s": 6e-3,
    "loss_growth_per_K": 1e-3,
    "fan_loss_per_s": 1e-2,
    "fan_exponent": 0.6,
    "exchange_per_s": 0.05,
    "capacity_ratio": 0.5,
    "far_fan_loss_per_s": 5e-3,
    "sensor_lag_s": 0.4,
    "dead_time_s": 0.3,
    "load_per_mm3": 3e-4,
}
FIRST_ORDER = {
    "heating_K_per_s": 3.0,
    "loss_per_s": 5e-3,
    "fan_loss_per_s": 5e-3,
    "dead_time_s": 0.5,
    "load_per_mm3": 3e-4,
}
EXAMPLE = Path(__file__).parents[2] / "data_demo" / "example_machine.yaml"


def course(model: str, values: dict[str, float], seconds: float = 120.0) -> list[Sample]:
    """A record of the model itself under a changing duty, fan and flow."""
    time_s = np.arange(0.0, seconds, 0.1)
    duty = np.where(time_s % 40.0 < 12.0, 1.0, 0.25)
    fan = np.where(time_s % 30.0 > 20.0, 0.5, 0.0)
    flow = np.where(time_s % 50.0 > 40.0, 5.0, 0.0)
    trace = simulate(model, values, time_s, duty, fan, flow, ROOM_C)
    columns = zip(time_s, trace.temperature_C, duty, fan, flow, strict=True)
    return [
        Sample(float(t), float(y), 200.0, float(u), float(f), float(q)) for t, y, u, f, q in columns
    ]


def errors(expectation: Expectation, samples: list[Sample]) -> list[float]:
    return [expectation(sample) - sample.temperature_C for sample in samples]


@pytest.mark.parametrize(
    ("model", "values"), [("two-node", TWO_NODE), ("first-order", FIRST_ORDER)]
)
def test_it_follows_its_own_model(model: str, values: dict[str, float]) -> None:
    """Against `models.heater.simulate`, whose propagation is checked by itself."""
    found = errors(Expectation(model, values, ROOM_C), course(model, values))
    assert math.isnan(found[0])
    assert max(abs(error) for error in found[1:]) < 1.5


def test_a_slow_difference_fades_and_a_sudden_one_shows() -> None:
    samples = course("two-node", TWO_NODE)
    warmer = [replace(s, temperature_C=s.temperature_C + 12.0 * s.time_s / 120.0) for s in samples]
    found = errors(Expectation("two-node", TWO_NODE, ROOM_C), warmer)
    assert max(map(abs, found[1:])) < 12.0 * FORGET_s / 120.0 + 1.5
    jump = [replace(s, temperature_C=s.temperature_C - 20.0 * (s.time_s > 60.0)) for s in samples]
    after = errors(Expectation("two-node", TWO_NODE, ROOM_C), jump)[605]
    assert after == pytest.approx(20.0, abs=2.0)


@pytest.mark.parametrize(
    ("missing", "change"),
    [
        ("", {"duty": math.nan}),
        ("fan_loss_per_s", {"fan": 1.0}),
        ("load_per_mm3", {"flow_mm3_per_s": 5.0}),
    ],
)
def test_it_says_nothing_where_it_cannot_tell(missing: str, change: dict[str, float]) -> None:
    values = {name: value for name, value in TWO_NODE.items() if name != missing}
    expectation = Expectation("two-node", values, ROOM_C)
    plain = [Sample(i * 0.1, 150.0, 200.0, 0.1, 0.0) for i in range(40)]
    for sample in plain[:20]:
        expectation(sample)
    blind = [replace(sample, **change) for sample in plain[20:30]]
    found = [expectation(sample) for sample in [*blind, *plain[30:]]]
    # What holds from a reading to the next is the earlier one's duty, fan and flow.
    assert [math.isnan(value) for value in found[1:12]] == [True] * 10 + [False]
    assert found[-1] == pytest.approx(150.0, abs=2.0)


def test_a_pause_and_a_missing_reading_are_survived() -> None:
    expectation = Expectation("two-node", TWO_NODE, ROOM_C)
    expectation(Sample(0.0, 100.0, 0.0, 0.0, math.nan))
    assert math.isfinite(expectation(Sample(0.1, math.nan, 0.0, 0.0, 0.0)))
    assert math.isnan(expectation(Sample(60.0, 90.0, 0.0, 0.0, 0.0)))
    assert expectation(Sample(60.1, 90.0, 0.0, 0.0, 0.0)) == pytest.approx(90.0, abs=1.0)


def trip(samples: list[Sample]) -> str:
    """What a watch with nothing but its expectation says of a record."""
    wide = WatchLimits(max_temperature_C=500.0, jump_K=1e3, frozen_s=1e4, rise_s=1e4, rest_s=1e4)
    watch = Watch(wide, Expectation("two-node", TWO_NODE, ROOM_C))
    try:
        for sample in samples:
            watch.on_sample(sample)
    except WatchTripped as tripped:
        return str(tripped)
    return ""


@pytest.mark.parametrize(
    "spoil",
    [
        lambda s: replace(s, temperature_C=s.temperature_C - 20.0 * (s.time_s > 60.0)),
        lambda s: replace(s, temperature_C=s.temperature_C - 1.0 * max(s.time_s - 60.0, 0.0)),
        lambda s: replace(s, duty=min(2.0 * s.duty, 1.0)),
    ],
    ids=["sensor jumps", "sensor slips slowly", "half the power is gone"],
)
def test_what_leaves_the_model_is_named(spoil: Callable[[Sample], Sample]) -> None:
    samples = course("two-node", TWO_NODE)
    assert trip(samples) == ""
    assert "where the model expects" in trip([spoil(sample) for sample in samples])


def test_the_expectation_of_a_profile() -> None:
    expectation = expectation_from(EXAMPLE)
    assert math.isnan(expectation(Sample(0.0, 23.1, 0.0, 0.0, 0.0)))
    assert expectation(Sample(0.1, 23.1, 0.0, 0.0, 0.0)) == pytest.approx(23.1, abs=0.01)


def test_a_profile_without_a_heater_is_refused(tmp_path: Path) -> None:
    text = EXAMPLE.read_text()
    cut = (
        text[: text.index("# heating, cooling and lag")]
        + text[text.index("# the runs that every") :]
    )
    (tmp_path / "bare.yaml").write_text(cut)
    with pytest.raises(BadInput, match="no heater model"):
        expectation_from(tmp_path / "bare.yaml")
    with pytest.raises(BadInput, match="no such file"):
        LinkOptions(port="sim:swift-sleeve", profile=tmp_path / "none.yaml").watch()


def test_provenance_names_the_profile_without_its_place() -> None:
    facts: Any = LinkOptions(port="sim:x", profile=EXAMPLE).provenance()
    assert facts["watch_profile"]["file"] == "example_machine.yaml"
    assert len(facts["watch_profile"]["sha256"]) == 64
    assert LinkOptions(port="sim:x").provenance() == {}
