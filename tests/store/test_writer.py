import errno
import os
import queue
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from hotbench.core.errors import BadInput
from hotbench.core.records import Event, Extrusion, RunInfo, Sample
from hotbench.store.errors import RecordingFailed
from hotbench.store.files import create
from hotbench.store.locking import acquire, is_locked
from hotbench.store.reader import read_run, recover, verify
from hotbench.store.writer import RunWriter, check_free

GO, END = False, True


def record_all(writer: RunWriter, samples: list[Sample], accepted: list[Sample]) -> None:
    for sample in samples:
        writer.on_sample(sample)
        accepted.append(sample)


class Disk:
    """Files on a disk that holds `room` bytes in all, then takes what still fits and fails."""

    def __init__(self, room: int) -> None:
        self.room = room

    def open(self, path: Path):
        return FullFile(self, create(path))


class FullFile:
    def __init__(self, disk: Disk, file) -> None:
        self._disk, self._file = disk, file

    def write(self, data: bytes) -> int:
        taken = min(len(data), self._disk.room)
        if not taken:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        self._disk.room -= taken
        return self._file.write(data[:taken])

    def truncate(self, size: int) -> int:
        return self._file.truncate(size)

    def fileno(self) -> int:
        return self._file.fileno()

    def close(self) -> None:
        self._file.close()


def test_rows_are_on_their_way_to_disk_before_the_call_returns(
    tmp_path: Path, info: RunInfo, samples: list[Sample]
) -> None:
    writer = RunWriter(tmp_path / "run", info)
    for count, sample in enumerate(samples, start=1):
        writer.on_sample(sample)
        assert (tmp_path / "run" / "samples.csv").read_bytes().count(b"\n") == count + 1
    writer.close()


def test_numbers_are_written_the_same_way_everywhere(tmp_path: Path, info: RunInfo) -> None:
    writer = RunWriter(tmp_path / "run", info)
    writer.on_sample(Sample(0.1 + 0.2, 215.3, 1e-7, 64 / 127, -0.0, 0.0, 'a "b", c'))
    writer.close()
    row = (tmp_path / "run" / "samples.csv").read_text().splitlines()[1]
    assert row == '0.3,215.3,1e-07,0.503937008,0,0,"a ""b"", c"'


def test_the_same_run_gives_the_same_bytes(write_run: Callable[..., Path]) -> None:
    first, second = write_run("a"), write_run("b")
    for name in ("samples.csv", "events.csv", "datapackage.json"):
        assert (first / name).read_bytes() == (second / name).read_bytes()


def test_an_occupied_folder_is_refused_and_left_alone(tmp_path: Path, info: RunInfo) -> None:
    (tmp_path / "precious.txt").write_text("mine")
    with pytest.raises(BadInput, match="folder is not empty"):
        RunWriter(tmp_path, info)
    assert [path.name for path in tmp_path.iterdir()] == ["precious.txt"]


def test_a_place_that_cannot_hold_a_folder_is_refused(tmp_path: Path, info: RunInfo) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(BadInput, match="cannot create the run folder"):
        RunWriter(tmp_path / "file" / "run", info)


@pytest.mark.parametrize("code", [errno.EROFS, errno.EACCES, errno.EDQUOT])
def test_a_read_only_place_is_refused(tmp_path: Path, info: RunInfo, code: int) -> None:
    def refuse(path: Path):
        raise OSError(code, os.strerror(code))

    with pytest.raises(BadInput, match=f"cannot create the run folder: {os.strerror(code)}"):
        RunWriter(tmp_path / "run", info, opener=refuse)


@pytest.mark.parametrize("room", range(90, 700, 37))
def test_a_full_disk_costs_nothing_that_was_accepted(
    tmp_path: Path, info: RunInfo, samples: list[Sample], room: int
) -> None:
    writer = RunWriter(tmp_path / "run", info, opener=Disk(room).open)
    accepted: list[Sample] = []
    with pytest.raises(RecordingFailed, match="No space left on device") as caught:
        record_all(writer, samples * 10, accepted)
    assert "\n" not in str(caught.value)
    writer.on_event(Event(2.0, "command", "M104 S0"))  # switching off must pass
    with pytest.raises(RecordingFailed):
        writer.on_sample(samples[0])
    with pytest.raises(RecordingFailed):
        writer.close("cut off")
    run = read_run(tmp_path / "run")
    assert len(run) == len(accepted)
    assert run.outcome == "cut off"


def test_events_that_found_no_room_are_kept_until_there_is(
    tmp_path: Path, info: RunInfo, samples: list[Sample]
) -> None:
    disk = Disk(300)
    writer = RunWriter(tmp_path / "run", info, opener=disk.open)
    with pytest.raises(RecordingFailed):
        writer.on_samples(samples)
    writer.on_event(Event(2.0, "command", "M104 S0"))
    disk.room = 10_000
    writer.close("cut off")
    assert [event.text for event in read_run(tmp_path / "run").events] == ["M104 S0"]
    assert verify(tmp_path / "run").intact


def test_no_room_for_the_start_is_one_line(tmp_path: Path, info: RunInfo) -> None:
    with pytest.raises(BadInput, match="cannot create the run folder: No space left"):
        RunWriter(tmp_path / "run", info, opener=Disk(20).open)


def test_rows_reach_the_disk_at_every_turn_of_the_background(
    tmp_path: Path, info: RunInfo, samples: list[Sample]
) -> None:
    turns: queue.Queue[bool] = queue.Queue()
    periods_s: list[float] = []
    synced: queue.Queue[int] = queue.Queue()

    def wait(period_s: float) -> bool:
        periods_s.append(period_s)
        return turns.get(timeout=10.0)

    writer = RunWriter(tmp_path / "run", info, sync_wait=wait, fsync=synced.put)
    turns.put(GO)
    first = {synced.get(timeout=10.0) for _ in range(2)}  # both headers
    writer.on_sample(samples[0])
    turns.put(GO)
    assert synced.get(timeout=10.0) in first
    turns.put(END)
    writer.close()
    assert max(periods_s) <= 1.0
    assert synced.empty()


def test_a_failing_disk_is_noticed_at_the_next_sample(
    tmp_path: Path, info: RunInfo, samples: list[Sample]
) -> None:
    turns: queue.Queue[bool] = queue.Queue()
    failed: queue.Queue[int] = queue.Queue()

    def fsync(descriptor: int) -> None:
        failed.put(descriptor)
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    writer = RunWriter(
        tmp_path / "run", info, sync_wait=lambda _: turns.get(timeout=10.0), fsync=fsync
    )
    turns.put(GO)
    failed.get(timeout=10.0)
    writer._background._thread.join(timeout=10.0)
    with pytest.raises(RecordingFailed, match="Input/output error"):
        writer.on_sample(samples[0])
    with pytest.raises(RecordingFailed, match="Input/output error"):
        writer.close("cut off")
    assert read_run(tmp_path / "run").outcome == "cut off"
    assert len(read_run(tmp_path / "run")) == 0


def test_a_closed_run_takes_nothing_more(write_run, tmp_path: Path, info: RunInfo) -> None:
    writer = RunWriter(tmp_path / "closed", info)
    writer.close()
    writer.close()
    with pytest.raises(ValueError, match="closed"):
        writer.on_sample(Sample(0.0, 20.0))


def test_extrusions_get_a_file_only_when_there_are_any(write_run: Callable[..., Path]) -> None:
    assert not (write_run("without") / "extrusions.csv").exists()
    folder = write_run("with", extrusions=(Extrusion(220.0, 6.0, 100.0),))
    assert (folder / "extrusions.csv").read_text().splitlines()[1] == "220,6,100,,,,"


def test_a_second_writer_is_kept_out_until_the_first_is_done(tmp_path: Path, info: RunInfo) -> None:
    folder = tmp_path / "run"
    writer = RunWriter(folder, info)
    assert is_locked(folder / "samples.csv", folder)
    with (folder / "samples.csv").open("ab") as file, pytest.raises(BadInput, match="another"):
        acquire(file.fileno(), folder)
    with pytest.raises(BadInput, match="another process is writing"):
        recover(folder)
    assert read_run(folder).outcome == "recording"
    writer.close()
    assert not is_locked(folder / "samples.csv", folder)


KILLED = """
import sys
from pathlib import Path
from hotbench.core.records import RunInfo, Sample
from hotbench.store.writer import RunWriter

writer = RunWriter(Path(sys.argv[1]), RunInfo(run_id="r", procedure="hold", created=""))
for i in range(10**9):
    writer.on_sample(Sample(i * 0.1, 200.0, phase="hold 200"))
    if i % 100 == 0:
        print(i, flush=True)
"""


def test_the_lock_and_the_rows_survive_a_killed_writer(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    with subprocess.Popen(  # noqa: S603 - our own interpreter and text
        [sys.executable, "-c", KILLED, str(folder)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        shown = [int(process.stdout.readline()) for _ in range(3)][-1]
        assert read_run(folder).outcome == "recording"
        process.send_signal(signal.SIGKILL)
    run = read_run(folder)
    assert run.outcome == "cut off"
    assert len(run) > shown
    assert recover(folder).intact


def test_a_free_place_is_one_that_is_not_there_or_empty(tmp_path: Path) -> None:
    check_free(tmp_path / "new")
    assert not (tmp_path / "new").exists()
    check_free(tmp_path)
    (tmp_path / "kept.csv").write_text("kept")
    with pytest.raises(BadInput, match="folder is not empty"):
        check_free(tmp_path)
    for name in ("kept.csv", "kept.csv/below/it"):
        with pytest.raises(BadInput, match=r"kept\.csv: is a file; name a folder"):
            check_free(tmp_path / name)
