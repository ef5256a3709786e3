"""The panel's kernel side: what it sends, how it answers, what it costs."""

import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hotbench.bench.panel import DRAWN, BenchPanel
from hotbench.bench.panel_prediction import LEAST_BAND_K, Predictor
from hotbench.core.errors import BadInput
from hotbench.core.quantity import Quantity
from hotbench.core.records import Sample
from hotbench.models.heater import simulate
from hotbench.profile.types import Heater, HeldOut, Machine, MachineProfile, Provenance
from hotbench.profile.yaml_io import write_profile

HOUR = 72_000  # samples at 20 a second
PORT = "sim:swift-sleeve"
VALUES: dict[str, float] = {}


class Recorded(BenchPanel):
    """A panel that keeps what it sends."""

    def __init__(self, folder: Path) -> None:
        self.sent: list[tuple[dict[str, Any], Any]] = []
        super().__init__(PORT, folder)

    def send(self, content: Any, buffers: Any = None) -> None:
        self.sent.append((content, buffers))

    def ask(self, kind: str, **content: Any) -> None:
        self._on_message(self, {"kind": kind, **content}, [])

    def columns(self) -> np.ndarray:
        """All samples sent since the last clearing, shape (5, n)."""
        parts: list[np.ndarray] = []
        for head, buffers in self.sent:
            if head["kind"] in ("samples", "history"):
                parts = [] if head["first"] == 0 else parts
                parts.append(np.frombuffer(buffers[0]).reshape(DRAWN, -1))
        return np.concatenate(parts, axis=1)


@pytest.fixture
def panel(tmp_path: Path) -> Recorded:
    return Recorded(tmp_path)


def form(**changes: Any) -> dict[str, Any]:
    plain = {"port": PORT, "test": "hold", "settings": {"duration_s": "5"}, "speed": "0"}
    return {**plain, **changes}


def finished(panel: Recorded) -> None:
    assert panel.session.wait(30.0)
    if panel._pusher is not None:
        panel._pusher.join(30.0)


def test_a_plan_comes_back_readable(panel: Recorded) -> None:
    panel.ask("plan", **form())
    assert panel.plan["max_temperature_C"] == 220.0
    assert "heater off at the end" in panel.plan["lines"][-1]
    assert panel.plan["steps"] == ["hold 220 °C for 5 s with fan 0"]


def test_what_the_time_assumes_is_a_remark_and_no_step(panel: Recorded) -> None:
    panel.ask("plan", **form(test="step", settings={}))
    assert panel.plan["remark"].startswith("the time assumes")
    assert panel.plan["remark"] not in panel.plan["steps"]
    assert len(panel.plan["steps"]) == len(panel.plan["lines"]) - 2


def test_a_test_with_a_profile_draws_its_prediction_and_one_without_that_of_the_folder(
    panel: Recorded, tmp_path: Path
) -> None:
    profile = tmp_path / "other.yaml"
    about = Provenance(software_version="0", date="2026-01-01T00:00:00Z")
    machine = MachineProfile(machine=Machine(name="m"), heater=heater(), provenance=about)
    write_profile(machine, profile)
    panel.ask("start", **form())
    finished(panel)
    assert panel._predictor is None
    panel.ask("start", **form(profile=str(profile)))
    assert panel._predictor is not None
    finished(panel)
    assert panel.session.status.profile == str(profile)
    write_profile(machine, tmp_path / "machine.yaml")
    panel.ask("start", **form())
    assert panel._predictor is not None
    finished(panel)
    assert panel.session.status.profile == ""


def test_a_form_that_cannot_be_read_gets_one_line(panel: Recorded) -> None:
    panel.ask("plan", **form(settings={"duration_s": "long"}))
    assert "is not a number" in panel.plan["error"]
    panel.ask("start", **form(limit_C="200"))
    assert "above the temperature limit" in panel.notice
    assert not panel.status["active"]


def test_every_sample_reaches_the_page_once_and_in_order(panel: Recorded) -> None:
    panel.ask("start", **form())
    finished(panel)
    assert panel.status["state"] == "done"
    assert np.array_equal(panel.columns(), np.array(panel.session.samples()[:DRAWN]))
    assert [row["run"] for row in panel.runs] == ["hold-1"]


def test_a_page_loaded_anew_gets_everything(panel: Recorded) -> None:
    panel.ask("start", **form())
    finished(panel)
    panel.sent.clear()
    panel.ask("history")
    assert panel.columns().shape[1] == len(panel.session.samples()[0]) > 50


def test_a_kernel_started_anew_finds_earlier_runs(tmp_path: Path) -> None:
    first = Recorded(tmp_path)
    first.ask("start", **form())
    finished(first)
    again = Recorded(tmp_path)
    again.ask("open", run=again.runs[0]["run"])
    assert again.columns().shape == first.columns().shape


def test_a_second_panel_follows_a_running_test_from_its_start(tmp_path: Path) -> None:
    first = Recorded(tmp_path)
    first.ask("start", **form(settings={"duration_s": "2000"}, speed="1"))
    second = Recorded(tmp_path)
    assert second.session is first.session
    assert second.status["state"] == "running"
    second.ask("stop")
    finished(first)
    finished(second)
    assert np.array_equal(second.columns(), np.array(second.session.samples()[:DRAWN]))
    assert second.status["state"] == first.status["state"] == "stopped"


def test_a_panel_of_another_folder_is_another_bench(tmp_path: Path) -> None:
    first, other = Recorded(tmp_path / "a"), Recorded(tmp_path / "b")
    assert first.session is not other.session


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"port": " "}, "port: is empty"),
        ({"limit_C": "hot"}, "limit_C: is not a number"),
        ({"port": "sim:nobody"}, "nobody"),
        ({"settings": {"duration_s": "-5"}}, "duration_s"),
    ],
)
def test_a_wrong_form_starts_nothing_and_says_so(
    panel: Recorded, changes: dict[str, Any], told: str
) -> None:
    panel.ask("start", **form(**changes))
    finished(panel)
    assert told in panel.notice + panel.status["message"]
    assert not panel.status["active"]
    panel.ask("start", **form())
    finished(panel)
    assert panel.status["state"] == "done"
    assert panel.notice == ""


def test_a_run_that_is_not_there_is_a_notice(panel: Recorded) -> None:
    panel.ask("open", run="nothing-1")
    assert "nothing-1" in panel.notice


def predictor() -> Predictor:
    return Predictor("second-order", VALUES, 25.0, 1.0)


def test_the_prediction_is_the_models_and_its_past_does_not_change() -> None:
    time_s = np.arange(0.0, 30.0, 0.1)
    duty, fan = np.where(time_s > 3.0, 0.6, 0.0), np.zeros_like(time_s)
    columns = [time_s, np.full_like(time_s, 25.0), fan, duty, fan, fan]
    whole = predictor().predict(columns)
    expected = simulate(
        "second-order", VALUES, time_s, duty, fan, fan, 25.0, lead_s=0.05
    )  # the duty was sampled every 0.1 s
    assert whole == pytest.approx(expected.temperature_C)
    part = predictor().predict([column[:120] for column in columns])
    assert np.array_equal(part, whole[:120])


def test_no_duty_no_prediction() -> None:
    time_s = np.arange(5.0)
    unknown = np.full(5, np.nan)
    assert np.isnan(predictor().predict([time_s, time_s, time_s, unknown, unknown, unknown])).all()


@pytest.mark.parametrize("known", [False, True])
def test_nothing_is_predicted_under_a_flow_whose_load_is_unknown(*, known: bool) -> None:
    time_s = np.arange(0.0, 5.0, 0.1)
    flow = np.where(time_s > 2.95, 6.0, 0.0)
    still = np.zeros_like(time_s)
    made = Predictor("second-order", VALUES, 25.0, 1.0, knows_flow=known)
    predicted_C = made.predict([time_s, still + 25.0, still, still, still, flow])
    assert np.isnan(predicted_C).sum() == (0 if known else 20)


@pytest.mark.parametrize(("rms_K", "band_K"), [(0.05, LEAST_BAND_K), (1.5, 3.0)])
def test_the_band_is_twice_the_held_out_error(rms_K: float, band_K: float) -> None:
    judged = HeldOut(
        run="a", phase="validate", rms_K=rms_K, worst_K=9.0, error_percent=1.0, samples=50
    )
    made = Predictor.of(heater(validation=(judged,)))
    assert made is not None
    assert made.band_K == pytest.approx(band_K)


def test_without_held_out_stretches_there_is_no_band_and_without_a_model_no_prediction() -> None:
    bare = Predictor.of(heater())
    assert bare is not None
    assert bare.band_K is None
    assert Predictor.of(Heater(model="second-order")) is None


TAU = {"tau": Quantity(value=0.5, unit="s", basis="assumed")}


@pytest.mark.parametrize("changes", [{"model": "third-order"}, {"parameters": TAU}])
def test_a_profile_that_cannot_predict_draws_nothing_and_stops_nothing(
    panel: Recorded, tmp_path: Path, changes: dict[str, Any]
) -> None:
    made = heater().model_copy(update=changes)
    with pytest.raises(BadInput, match=r"third-order|tau"):
        Predictor.of(made)
    about = Provenance(software_version="0", date="2026-01-01T00:00:00Z")
    machine = MachineProfile(machine=Machine(name="m"), heater=made, provenance=about)
    write_profile(machine, tmp_path / "machine.yaml")
    panel.ask("start", **form())
    finished(panel)
    assert panel.status["state"] == "done"
    assert panel._predictor is None


def heater(**more: Any) -> Heater:
    lag = Quantity(value=0.5, unit="s", basis="assumed")
    ambient = Quantity(value=25.0, unit="°C", basis="assumed")
    return Heater(model="second-order", parameters={"sensor_lag_s": lag}, ambient=ambient, **more)


def test_the_panel_costs_less_than_a_tenth_of_a_core_after_an_hour(panel: Recorded) -> None:
    for k in range(HOUR):
        panel.session.on_sample(Sample(k / 20.0, 220.0, 220.0, 0.1, 0.0, phase="hold 220"))
    panel._predictor = predictor()
    panel.push()
    busy_s = []
    for second in range(5):
        begun_s = time.process_time()
        for k in range(20):  # one second: 20 samples, 10 pushes, one prediction
            at_s = (HOUR + 20 * second + k) / 20.0
            panel.session.on_sample(Sample(at_s, 220.0, 220.0, 0.1, 0.0, phase="hold 220"))
            if k % 2:
                panel.push()
        busy_s.append(time.process_time() - begun_s)
    assert sorted(busy_s)[2] < 0.1, busy_s
