from pathlib import Path

import frictionless
import numpy as np
import pytest

from hotbench.core.errors import BadInput
from hotbench.core.records import COMMANDED_DUTY
from hotbench.store.importing import import_csv, parse_columns
from hotbench.store.reader import read_run, verify

COLUMNS = {"time": "t", "temperature": "hotend"}
REAL = Path(__file__).parents[3] / "shared" / "data" / "heating_system.csv"


def table(tmp_path: Path, text: str, encoding: str = "utf-8") -> Path:
    path = tmp_path / "log.csv"
    path.write_bytes(text.encode(encoding))
    return path


def rows(line: str, count: int = 12) -> str:
    """`line` with {i} counting, {v} a temperature."""
    return "".join(line.format(i=i, v=20.0 + 0.5 * i) + "\n" for i in range(count))


def test_time_and_temperature_are_enough(tmp_path: Path) -> None:
    path = table(tmp_path, "t,hotend\n" + rows("{i},{v}"))
    folder = import_csv(path, tmp_path / "run", COLUMNS, ambient_C=21.0)
    run = read_run(folder)
    assert len(run) == 12
    assert run.temperature_C[3] == 21.5
    assert np.isnan(run.duty).all()
    assert run.info.procedure == "import"
    assert run.info.ambient_C == 21.0
    assert run.info.settings["source"] == "log.csv"
    assert verify(folder).intact
    assert frictionless.validate(str(folder / "datapackage.json")).valid


@pytest.mark.parametrize("commanded", [False, True])
def test_who_set_the_duty_is_kept(tmp_path: Path, *, commanded: bool) -> None:
    path = table(tmp_path, "t,hotend\n" + rows("{i},{v}"))
    folder = import_csv(path, tmp_path / "run", COLUMNS, commanded_duty=commanded)
    assert read_run(folder).info.settings[COMMANDED_DUTY] is commanded


@pytest.mark.parametrize(
    ("header", "line"),
    [
        ("t,hotend", "{i},{v}"),
        ("t;hotend", "{i};{v}"),
        ("t\thotend", "{i}\t{v}"),
        ("t|hotend", "{i}|{v}"),
        (' t , "hotend" ', ' {i} , "{v}" '),
        ("\ufefft,hotend", "{i},{v}"),
        ("# made by a logger\n# on a bench\nt,hotend", "{i},{v}"),
    ],
)
def test_dialects_are_found_out(tmp_path: Path, header: str, line: str) -> None:
    path = table(tmp_path, f"{header}\n" + rows(line))
    run = read_run(import_csv(path, tmp_path / "run", COLUMNS))
    assert run.temperature_C[-1] == 25.5


def test_decimal_commas_are_found_out(tmp_path: Path) -> None:
    text = "t;hotend\r\n" + "".join(f"{i},0;{20 + i},25\r\n" for i in range(12))
    run = read_run(import_csv(table(tmp_path, text), tmp_path / "run", COLUMNS))
    assert run.temperature_C[2] == 22.25
    assert run.time_s[-1] == 11.0


@pytest.mark.parametrize(
    ("header", "declared", "cell", "step_s"),
    [
        ("t", "t", "{i}", 1.0),
        ("t", "t:ms", "{i}00", 0.1),
        ("t_ms", "t_ms", "{i}00", 0.1),
        ("t [ms]", "t [ms]", "{i}00", 0.1),
        ("t_ms", "t_ms:s", "{i}00", 100.0),
        ("t", "t:min", "{i}", 60.0),
        ("t", "t", "2026-03-01T10:00:{i:02d}Z", 1.0),
        ("t", "t", "2026-03-01 10:00:{i:02d}.500", 1.0),
        ("t", "t:iso", "2026-03-01T10:{i:02d}:00+02:00", 60.0),
    ],
)
def test_time_units(tmp_path: Path, header: str, declared: str, cell: str, step_s: float) -> None:
    path = table(tmp_path, f"{header},hotend\n" + rows(cell + ",{v}"))
    run = read_run(import_csv(path, tmp_path / "run", {"time": declared, "temperature": "hotend"}))
    assert run.time_s[:2].tolist() == pytest.approx([0.0, step_s])


@pytest.mark.parametrize(
    ("unit", "cell", "fraction"),
    [
        ("percent", "50", 0.5),
        ("fraction", "0.25", 0.25),
        ("0-127", "127", 1.0),
        ("0-255", "51", 0.2),
        ("0-9", "3", 1.0 / 3.0),
        ("0.5-4.5", "2.5", 0.5),
    ],
)
def test_duty_units(tmp_path: Path, unit: str, cell: str, fraction: float) -> None:
    path = table(tmp_path, "t,hotend,pwm\n" + rows("{i},{v}," + cell))
    run = read_run(import_csv(path, tmp_path / "run", COLUMNS | {"duty": f"pwm:{unit}"}))
    assert run.duty[0] == pytest.approx(fraction, rel=1e-8)


def test_a_drive_of_unknown_range_is_scaled_by_its_own_maximum_and_says_so(tmp_path: Path) -> None:
    path = table(tmp_path, "t,hotend,drive\n" + rows("{i},{v},{i}"))
    run = read_run(import_csv(path, tmp_path / "run", COLUMNS | {"duty": "drive:volts"}))
    assert run.duty[-1] == 1.0
    assert run.duty[1] == pytest.approx(1.0 / 11.0, rel=1e-8)
    assert run.info.settings["units"]["duty"] == "volts over their own maximum 11"


def test_temperatures_in_other_units_and_empty_optional_cells(tmp_path: Path) -> None:
    path = table(tmp_path, "t,hotend,set,fan\n" + rows("{i},{v},464,") + "12,26,464,1\n")
    columns = COLUMNS | {"temperature": "hotend:K", "setpoint": "set:F", "fan": "fan"}
    run = read_run(import_csv(path, tmp_path / "run", columns))
    assert run.temperature_C[0] == pytest.approx(20.0 - 273.15)
    assert run.setpoint_C[0] == pytest.approx(240.0)
    assert np.isnan(run.fan[0])
    assert run.fan[-1] == 1.0


def test_a_column_name_may_hold_a_colon(tmp_path: Path) -> None:
    path = table(tmp_path, "t,tool:0,duty:pwm\n" + rows("{i},{v},50"))
    columns = {"time": "t", "temperature": "tool:0", "duty": "duty:pwm:percent"}
    assert read_run(import_csv(path, tmp_path / "run", columns)).duty[0] == 0.5


def test_a_stretch_may_be_held_out_of_fits(tmp_path: Path) -> None:
    path = table(tmp_path, "t,hotend,what\n" + rows("{i},{v},heat"))
    folder = import_csv(path, tmp_path / "run", COLUMNS | {"phase": "what"}, validate_after_s=6.0)
    run = read_run(folder)
    assert run.phase[5:7].tolist() == ["heat", "validate heat"]
    assert run.mask_phase("validate").sum() == 6


GOOD = "t,hotend\n" + rows("{i},{v}")


@pytest.mark.parametrize(
    ("text", "columns", "message"),
    [
        ("", COLUMNS, "file is empty"),
        ("\n\n", COLUMNS, "file is empty"),
        ("t,hotend\n", COLUMNS, "a header and no rows"),
        ("1,2\n" + rows("{i},{v}"), COLUMNS, "first row is no header"),
        ("t,hotend\n" + rows("{i},{v}", 5), COLUMNS, r"too few rows \(got 5, limit at least 10\)"),
        (GOOD, COLUMNS | {"temperature": "hotent"}, "no column 'hotent'; did you mean 'hotend'"),
        (GOOD, {"time": "t"}, "no column for temperature"),
        (GOOD, COLUMNS | {"tempreature": "x"}, "did you mean 'temperature'"),
        (GOOD, COLUMNS | {"temperature": "hotend:furlongs"}, "unknown unit 'furlongs'"),
        (GOOD + "5,30\n", COLUMNS, r"row 14, column 't': time does not increase \(got '5'"),
        (GOOD + "11,30\n", COLUMNS, "row 14, column 't': time does not increase"),
        (GOOD + "12,warm\n", COLUMNS, r"row 14, column 'hotend': not a number \(got 'warm'"),
        (GOOD + "12,\n", COLUMNS, "row 14, column 'hotend': not a number .got an empty cell"),
        (GOOD + "12,inf\n", COLUMNS, "row 14, column 'hotend': not a number"),
        (GOOD + "12\n", COLUMNS, "row 14, column 'hotend'"),
        (GOOD + "12,30,5\n", COLUMNS, "rows of unequal length"),
        ("t,hotend\n" + rows("{i},{v},7"), COLUMNS, "unequal length: line 2 has 3 cells"),
        ("# by hand\n" + GOOD + "12,warm\n", COLUMNS, "row 15, column 'hotend'"),
        (
            "t,hotend\n" + rows("2026-01-01T00:00:{i:02d},{v}") + "yesterday,30\n",
            COLUMNS,
            "row 14, column 't': not an ISO 8601",
        ),
        (
            "t,hotend,pwm\n" + rows("{i},{v},80"),
            COLUMNS | {"duty": "pwm"},
            r"duty outside its range \(got 80, limit 0 to 1\); declare the unit",
        ),
        (
            "t,hotend,pwm\n" + rows("{i},{v},0"),
            COLUMNS | {"duty": "pwm:volts"},
            "never exceeds zero",
        ),
        ("t,hotend,pwm\n" + rows("{i},{v},1"), COLUMNS | {"duty": "pwm:9-0"}, "range is empty"),
    ],
)
def test_bad_tables_get_one_line_and_leave_nothing_behind(
    tmp_path: Path, text: str, columns: dict[str, str], message: str
) -> None:
    path = table(tmp_path, text)
    with pytest.raises(BadInput, match=message) as caught:
        import_csv(path, tmp_path / "run", columns)
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "run").exists()


def test_other_encodings_and_missing_files_are_refused(tmp_path: Path) -> None:
    path = table(tmp_path, "t,hotend °C\n" + rows("{i},{v}"), encoding="latin-1")
    with pytest.raises(BadInput, match=r"is not UTF-8 text \(got byte 9\)"):
        import_csv(path, tmp_path / "run", COLUMNS)
    with pytest.raises(BadInput, match="cannot be read: No such file"):
        import_csv(tmp_path / "none.csv", tmp_path / "run", COLUMNS)


def test_column_declarations() -> None:
    assert parse_columns(["time=t_ms", " duty = pwm:0-255"]) == {
        "time": "t_ms",
        "duty": "pwm:0-255",
    }
    for wrong in ("time", "time=", "=t"):
        with pytest.raises(BadInput, match="FIELD=NAME"):
            parse_columns([wrong, "time=t"] if wrong == "time" else [wrong])
    with pytest.raises(BadInput, match="given twice"):
        parse_columns(["time=a", "time=b"])


@pytest.mark.skipif(not REAL.exists(), reason="the measured data set is not beside the repository")
def test_a_measured_heating_system_imports(tmp_path: Path) -> None:
    # DaISy 99-001: 801 samples, 2 s apart, lamp drive 3 to 9 V
    columns = {"time": "time_s", "temperature": "temperature_C", "duty": "drive_V:volts"}
    run = read_run(import_csv(REAL, tmp_path / "run", columns))
    assert len(run) == 801
    assert np.diff(run.time_s) == pytest.approx(np.full(800, 2.0))
    assert (run.duty.min(), run.duty.max()) == (pytest.approx(1.0 / 3.0), 1.0)
    assert run.temperature_C[0] == 129.32
    declared = read_run(import_csv(REAL, tmp_path / "declared", columns | {"duty": "drive_V:0-12"}))
    assert declared.duty.max() == pytest.approx(0.75)
