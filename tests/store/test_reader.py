import math
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.core.errors import BadInput
from hotbench.core.records import Event, Extrusion, RunInfo, Sample
from hotbench.store.reader import list_runs, read_run, recover, verify
from hotbench.store.rows import escape, unescape
from hotbench.store.writer import RunWriter

any_text = st.text(st.characters(), max_size=30)
any_number = st.floats(-1e4, 1e4) | st.just(math.nan)
fraction = st.floats(0.0, 1.0) | st.just(math.nan)
sample_lists = st.lists(
    st.builds(
        Sample,
        time_s=st.floats(0.0, 1e5),
        temperature_C=any_number,
        setpoint_C=any_number,
        duty=fraction,
        fan=fraction,
        flow_mm3_per_s=st.floats(0.0, 100.0),
        phase=any_text,
    ),
    max_size=8,
)
event_lists = st.lists(
    st.builds(
        Event,
        time_s=st.floats(0.0, 1e5),
        kind=st.sampled_from(("command", "heard", "fault", "phase", "note")),
        text=any_text,
    ),
    max_size=5,
)
amounts = st.none() | st.floats(0.0, 1e3)
extrusion_lists = st.lists(
    st.builds(
        Extrusion,
        setpoint_C=st.floats(150.0, 300.0),
        commanded_mm3_per_s=st.floats(0.1, 100.0),
        commanded_mm=st.floats(1.0, 500.0),
        delivered_mass_g=amounts,
        delivered_mm=amounts,
        bond_force_N=amounts,
    ),
    max_size=4,
)
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108 - no disk, no waiting
INFO = RunInfo(run_id="h", procedure="step", created="2026-01-02T03:04:05Z")
EXAMPLES = settings(max_examples=50, deadline=None)


def close_to(written: float | None, read: float | None) -> bool:
    """Equal to the nine digits that files keep."""
    if written is None or read is None:
        return written is read
    both_unknown = math.isnan(written) and math.isnan(read)
    return both_unknown or math.isclose(written, read, rel_tol=1e-8, abs_tol=1e-12)


def write(folder: Path, samples, events=(), extrusions=()) -> Path:
    writer = RunWriter(folder, INFO)
    for sample in samples:
        writer.on_sample(sample)
    for event in events:
        writer.on_event(event)
    for extrusion in extrusions:
        writer.on_extrusion(extrusion)
    writer.close()
    return folder


@given(text=any_text | st.text(st.sampled_from("\\xu0123456789abcdef\n\r\0\u2028\ud800°")))
def test_any_text_fits_on_one_line_and_comes_back(text: str) -> None:
    line = escape(text)
    assert unescape(line) == text
    assert len(line.splitlines()) <= 1
    line.encode("utf-8")


@EXAMPLES
@given(samples=sample_lists, events=event_lists, extrusions=extrusion_lists)
def test_what_was_written_is_read(samples, events, extrusions) -> None:
    with TemporaryDirectory(dir=MEMORY) as place:
        run = read_run(write(Path(place) / "run", samples, events, extrusions))
    assert run.info == INFO
    assert run.outcome == "complete"
    for i, sample in enumerate(samples):
        assert run.time_s[i] == pytest.approx(sample.time_s, abs=6e-7)
        for name in ("temperature_C", "setpoint_C", "duty", "fan", "flow_mm3_per_s"):
            assert close_to(getattr(sample, name), getattr(run, name)[i]), name
        # numpy texts cannot end in NULs
        assert run.phase[i] == sample.phase.rstrip("\0")
    assert [(e.kind, e.text) for e in run.events] == [(e.kind, e.text.rstrip("\0")) for e in events]
    for written, read in zip(extrusions, run.extrusions, strict=True):
        for name in ("setpoint_C", "commanded_mm", "delivered_mass_g", "bond_force_N"):
            assert close_to(getattr(written, name), getattr(read, name)), name


@EXAMPLES
@given(data=st.data(), samples=sample_lists.filter(len), events=event_lists)
def test_a_run_cut_at_any_byte_is_read_to_its_last_whole_row(data, samples, events) -> None:
    with TemporaryDirectory(dir=MEMORY) as place:
        folder = write(Path(place) / "run", samples, events)
        complete = read_run(folder)
        whole = (folder / "samples.csv").read_bytes()
        cut = data.draw(st.integers(0, len(whole) - 1), label="cut")
        zeros = data.draw(st.sampled_from((b"", bytes(64))), label="after a power cut")
        (folder / "samples.csv").write_bytes(whole[:cut] + zeros)
        run = read_run(folder)
        assert run.outcome == "cut off"
        assert len(run) == max(whole[:cut].count(b"\n") - 1, 0)
        np.testing.assert_array_equal(run.temperature_C, complete.temperature_C[: len(run)])
        np.testing.assert_array_equal(run.phase, complete.phase[: len(run)])
        assert not verify(folder).intact
        recover(folder)
        assert verify(folder).intact
        recovered = read_run(folder)
        assert recovered.outcome == "cut off"
        np.testing.assert_array_equal(recovered.temperature_C, run.temperature_C)
        rows = (folder / "samples.csv").read_bytes()
        assert whole.startswith(rows)


@EXAMPLES
@given(data=st.data(), events=event_lists.filter(len))
def test_events_cut_at_any_byte_keep_their_whole_rows(data, events) -> None:
    with TemporaryDirectory(dir=MEMORY) as place:
        folder = write(Path(place) / "run", [Sample(0.0, 20.0)], events)
        whole = (folder / "events.csv").read_bytes()
        cut = data.draw(st.integers(0, len(whole) - 1))
        (folder / "events.csv").write_bytes(whole[:cut])
        run = read_run(folder)
        assert run.outcome == "cut off"
        assert len(run.events) == max(whole[:cut].count(b"\n") - 1, 0)


@pytest.mark.parametrize("text", ["0", "007", "1e5", "nan", "NA", "", "true", "2026-01-01", " x "])
def test_texts_that_look_like_something_else_stay_texts(tmp_path: Path, text: str) -> None:
    folder = write(tmp_path / "run", [Sample(0.0, 20.0, phase=text)], [Event(0.0, "heard", text)])
    run = read_run(folder)
    assert (run.phase[0], run.events[0].text) == (text, text)


def test_a_cut_run_is_used_up_to_its_cut(write_run: Callable[..., Path]) -> None:
    folder = write_run()
    path = folder / "samples.csv"
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:11]) + lines[11][:9])
    run = read_run(folder)
    assert (run.outcome, len(run)) == ("cut off", 10)
    assert run.sha256["events.csv"]
    recover(folder)
    note = read_run(folder).events[-1]
    assert note.kind == "note"
    assert "unfinished row of samples.csv set aside" in note.text


def test_lost_files_are_named_and_a_recovered_run_goes_on_without(
    write_run: Callable[..., Path],
) -> None:
    folder = write_run()
    (folder / "events.csv").unlink()
    assert verify(folder).problems == ("events.csv: missing",)
    assert recover(folder).intact
    assert len(read_run(folder)) == 20


def test_what_was_edited_is_named_and_not_recovered(write_run: Callable[..., Path]) -> None:
    folder = write_run()
    path = folder / "samples.csv"
    path.write_text(path.read_text().replace("24.5", "34.5"))
    assert verify(folder).problems == ("samples.csv: edited since it was closed",)
    run = read_run(folder)
    assert run.temperature_C[1] == 34.5
    assert run.outcome == "complete"
    (folder / "events.csv").write_bytes(b"time_s,kind,text\n")
    with pytest.raises(BadInput, match=r"samples\.csv: edited"):
        recover(folder)


def test_recovering_a_whole_run_changes_nothing(write_run: Callable[..., Path]) -> None:
    folder = write_run()
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert recover(folder).intact
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("24.5", "warm", r"samples\.csv, row 3, column 'temperature_C': not a number \(got 'warm'"),
        ("temperature_C", "temp_C", r"no column 'temperature_C'; did you mean 'temp_C'"),
        ("24.5", "24.5,1,1,1,1,1,1,1", "rows of unequal length"),
        ("24,240", "24,1,1,1,1,1,240", "rows of unequal length: line 2 has 12 cells"),
    ],
)
def test_a_damaged_cell_is_named(
    write_run: Callable[..., Path], old: str, new: str, message: str
) -> None:
    folder = write_run()
    path = folder / "samples.csv"
    path.write_text(path.read_text().replace(old, new, 1))
    with pytest.raises(BadInput, match=message) as caught:
        read_run(folder)
    assert "\n" not in str(caught.value)


def test_a_file_that_is_no_text_is_named(write_run: Callable[..., Path]) -> None:
    folder = write_run()
    path = folder / "samples.csv"
    path.write_bytes(path.read_bytes().replace(b"24.5", b"\xff\xfe\xfd"))
    with pytest.raises(BadInput, match="UTF-8"):
        read_run(folder)


def test_runs_are_listed_oldest_first_and_strangers_left_out(
    tmp_path: Path, write_run: Callable[..., Path], info: RunInfo
) -> None:
    write_run("b", outcome="stopped")
    newer = RunInfo(run_id="newer", procedure="hold", created="2027-01-01T00:00:00Z")
    live = RunWriter(tmp_path / "a", newer)
    live.on_sample(Sample(0.0, 20.0))
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "datapackage.json").write_text('{"name": "other"}')
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "datapackage.json").write_text('{"hotbench_run": {"format": 1')
    entries = list_runs(tmp_path)
    assert [(e.folder.name, e.outcome, e.sample_count) for e in entries] == [
        ("broken", "cut off", 0),
        ("b", "stopped", 20),
        ("a", "recording", 1),
    ]
    assert "not a readable package" in entries[0].problem
    live.close()
    with pytest.raises(BadInput, match="no such folder"):
        list_runs(tmp_path / "nowhere")
    with pytest.raises(BadInput, match="not a run folder"):
        read_run(tmp_path)


def test_reading_is_vectorised(tmp_path: Path) -> None:
    writer = RunWriter(tmp_path / "run", INFO)
    writer.on_samples([Sample(i * 0.1, 200.0, phase=f"hold {i % 5}") for i in range(100_000)])
    writer.close()
    run = read_run(tmp_path / "run")
    assert len(run) == 100_000
    assert run.phase[7] == "hold 2"
    assert run.time_s[-1] == pytest.approx(9999.9)
