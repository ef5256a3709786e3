"""Machine files: read safely, refused in one line, beaten by explicit options."""

from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.bench.connecting import check_printer, filled, link_options
from hotbench.bench.machine_file import read_machine
from hotbench.bench.recording import record_from_options
from hotbench.core.errors import BadInput
from hotbench.store.reader import read_run
from hotbench.wire.faults import DEFAULT_FAULTS
from hotbench.wire.replies import Fault, parse

EXAMPLE = Path(__file__).parents[2] / "data_demo" / "machine_file.yaml"


def written(folder: Path, body: str, first: str = "hotbench_machine: 1\n") -> Path:
    path = folder / "machine.yaml"
    path.write_text(first + body)
    return path


def test_the_example_says_what_it_says() -> None:
    machine = read_machine(EXAMPLE)
    assert (machine.name, machine.heater.power_W) == ("bench sleeve", 60.0)
    assert machine.options()["baud"] == 250000
    assert machine.limits(max_temperature_C=265.0).frozen_s == 20.0
    assert machine.limits(max_temperature_C=265.0).max_temperature_C == 265.0
    assert machine.fault_table()[2:] == DEFAULT_FAULTS


def test_its_wordings_come_before_the_table() -> None:
    table = read_machine(EXAMPLE).fault_table()
    hard = parse("echo:E-17 stopped", table)
    assert isinstance(hard, Fault)
    assert (hard.kind, hard.ends_run) == ("sensor open or short", True)
    soft = parse("Error:filament sensor empty", table)
    assert isinstance(soft, Fault)
    assert not soft.ends_run


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ("buad: 9600\n", r"line 2, buad: unknown key 'buad'; did you mean 'baud'\?"),
        ("heater: {powr_W: 5}\n", r"unknown key 'powr_W'; did you mean 'power_W'\?"),
        ("faults:\n  - {patern: x, kind: y}\n", r"line 3.*did you mean 'pattern'\?"),
        ("watch: {frozen: 3}\n", r"unknown key 'frozen'; did you mean 'frozen_s'\?"),
        ("faults:\n  - {pattern: x}\n", "missing key 'kind'"),
        ("faults:\n  - {pattern: '(', kind: y}\n", "no regular expression"),
        ("watch: {rise_K: 0}\n", "watch: rise_K: must be positive"),
        ("baud: fast\n", r"line 2, baud: should be a valid integer \(got fast"),
        ("duty_full_scale: -1\n", "greater than 0"),
        ("interval_s: 60\n", "less than or equal to 5"),
        ("baud: .inf\n", "not a finite number"),
        ("name: !!python/object:os.system x\n", "tags are not accepted"),
        ("name: &a x\nscale_pattern: *a\n", "anchors and aliases"),
        ("baud: 1\nbaud: 2\n", "duplicate key 'baud'"),
        ("quick_stop: 1\n", "valid boolean"),
    ],
)
def test_what_it_may_not_say_is_refused_in_one_line(tmp_path: Path, body: str, words: str) -> None:
    with pytest.raises(BadInput, match=words) as caught:
        read_machine(written(tmp_path, body))
    assert "\n" not in str(caught.value)
    assert "machine.yaml" in str(caught.value)


@pytest.mark.parametrize("first", ["", "- 1\n", "hotbench_machine: 2\n", "hotbench_profile: 1\n"])
def test_other_files_are_refused(tmp_path: Path, first: str) -> None:
    with pytest.raises(BadInput):
        read_machine(written(tmp_path, "", first))
    with pytest.raises(BadInput, match="no such file"):
        read_machine(tmp_path / "none.yaml")


@settings(deadline=None, max_examples=60)
@given(raw=st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, raw: bytes
) -> None:
    path = tmp_path_factory.mktemp("m") / "machine.yaml"
    path.write_bytes(b"hotbench_machine: 1\n" + raw)
    with suppress(BadInput):
        assert read_machine(path).hotbench_machine == 1


def test_explicit_options_win() -> None:
    given = {"port": "sim:x", "machine": EXAMPLE, "baud": 9600, "interval_s": None}
    options = link_options(given)
    assert (options.baud, options.limit_temperature_C) == (9600, 250.0)
    assert options.config().faults[0].pattern == "E-17"
    assert filled({"a": None, "b": 1}) == {"b": 1}
    assert link_options({"port": "sim:x", "machine": None}).baud == 115200


def test_a_run_keeps_what_the_file_stated(tmp_path: Path) -> None:
    given = {
        "port": "sim:swift-sleeve",
        "out": tmp_path / "run",
        "temperature_C": 60.0,
        "duration_s": 5.0,
        "machine": EXAMPLE,
    }
    record_from_options("hold", given, confirm=lambda plan: None, prompt=lambda text: "")
    info = read_run(tmp_path / "run").info
    assert info.machine["name"] == "bench sleeve"
    assert info.machine["heater"] == {"name": "sleeve, 24 V", "power_W": 60.0, "rise_s": 20.0}


def test_the_files_limit_is_the_plans_limit(tmp_path: Path) -> None:
    given = {"port": "sim:swift-sleeve", "out": tmp_path / "run", "temperature_C": 255.0}
    with pytest.raises(BadInput, match="limit 250"):
        record_from_options(
            "hold",
            {**given, "machine": EXAMPLE},
            confirm=lambda plan: None,
            prompt=lambda text: "",
        )


def test_a_heater_weaker_than_expected_fails_the_check(tmp_path: Path) -> None:
    slow = written(tmp_path, "heater: {rise_s: 0.2}\n")
    options = link_options({"port": "sim:plain-block", "machine": slow})
    result = check_printer(options, confirm=lambda plan: None)
    assert "in 0.2 s of heating" in str(result.shortfall)
