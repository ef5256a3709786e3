import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.core.errors import BadInput
from hotbench.jobs import scan as s
from hotbench.jobs.patterns import CommentPatterns
from hotbench.jobs.timeline import MAX_LAYERS, Timeline, read_timeline

PATTERNS = CommentPatterns({"wall": "role: wall", "bridge": "role: bridge"}, layer="^ ?layer")


def read(*lines: str, patterns: CommentPatterns = PATTERNS) -> Timeline:
    return read_timeline("\n".join(lines).encode(), patterns)


def test_path_lengths_feeds_and_filament() -> None:
    job = read("G1 X0 Y0 Z0 F600", "G1 X3 Y4 E1", "G1 Z2 F120", "G0 X3 Y16 Z7")
    np.testing.assert_allclose(job.length_mm, [5.0, 2.0, 13.0])
    np.testing.assert_allclose(job.feed_mm_per_s, [10.0, 2.0, 2.0])
    assert job.kind.tolist() == [s.EXTRUDE, s.TRAVEL, s.TRAVEL]
    assert job.line.tolist() == [2, 3, 4]
    assert job.states_feed.tolist() == [False, True, False]


def test_relative_moves_reach_where_absolute_ones_do() -> None:
    ends = [(10.0, 0.0), (10.0, 7.5), (-2.5, 3.0)]
    absolute = ["G90", "G1 X0 Y0 F600", *(f"G1 X{x} Y{y}" for x, y in ends)]
    steps = np.diff([(0.0, 0.0), *ends], axis=0)
    relative = ["G1 X0 Y0 F600", "G91", *(f"G1 X{dx} Y{dy}" for dx, dy in steps)]
    np.testing.assert_allclose(read(*absolute).length_mm, read(*relative).length_mm)


def test_filament_has_its_own_mode_and_resets() -> None:
    job = read("G1 X0 Y0 F60", "M83", "G1 X1 E2", "G1 X2 E2", "M82", "G92 E0", "G1 X3 E1.5")
    np.testing.assert_allclose(job.fed_mm, [2.0, 2.0, 1.5])


def test_inches_scale_every_length() -> None:
    metric = read("G21", "G1 X0 Y0 F60", "G1 X25.4 Y50.8 E2.54")
    inches = read("G20", "G1 X0 Y0 F60", "G1 X1 Y2 E0.1")
    np.testing.assert_allclose(inches.length_mm, metric.length_mm)
    np.testing.assert_allclose(inches.fed_mm, metric.fed_mm)
    np.testing.assert_allclose(inches.feed_mm_per_s, 25.4 * metric.feed_mm_per_s)
    assert inches.unit_mm.tolist() == [25.4]


def test_refilling_after_a_retraction_melts_nothing_new() -> None:
    job = read("G1 X0 Y0 F60", "G1 X1 E1", "G1 E0.2", "G1 X5", "G1 E1.1", "G1 X6 E1.5")
    np.testing.assert_allclose(job.net_mm, [1.0, 0.0, 0.0, 0.1, 0.4], atol=1e-12)
    kinds = [s.EXTRUDE, s.FILAMENT, s.TRAVEL, s.FILAMENT, s.EXTRUDE]
    assert job.kind.tolist() == kinds


@pytest.mark.parametrize(
    ("block", "length_mm"),
    [
        ("G3 X10 Y10 I0 J10", 5.0 * math.pi),
        ("G2 X10 Y10 I0 J10", 15.0 * math.pi),
        ("G3 X0 Y0 I0 J10", 20.0 * math.pi),
        ("G3 X10 Y10 R10", 5.0 * math.pi),
        ("G3 X10 Y10 R-10", 15.0 * math.pi),
        ("G2 X10 Y10 R10", 5.0 * math.pi),
        ("G3 X10 Y10 Z3 I0 J10", math.hypot(5.0 * math.pi, 3.0)),
    ],
)
def test_arcs(block: str, length_mm: float) -> None:
    # Lengths by elementary geometry: quarter, three quarters and whole of a circle of radius 10.
    job = read("G1 X0 Y0 Z0 F600", block)
    assert job.length_mm[-1] == pytest.approx(length_mm)
    assert job.radius_mm[-1] == pytest.approx(10.0)


def test_arcs_begin_and_leave_along_their_tangents() -> None:
    left = read("G1 X-5 Y0 F600", "G1 X0", "G3 X10 Y10 I0 J10", "G1 X10 Y20")
    np.testing.assert_allclose(left.corner_cos[1:], [1.0, 1.0], atol=1e-9)
    right = read("G1 X5 Y0 F600", "G1 X0", "G2 X10 Y10 I0 J10", "G1 X10 Y0")
    np.testing.assert_allclose(right.corner_cos[1:], [1.0, 1.0], atol=1e-9)


def test_corners() -> None:
    job = read("G1 X0 Y0 F600", "G1 X1", "G1 X2", "G1 X2 Y1", "G1 Y0", "G4 P1", "G1 X3")
    np.testing.assert_allclose(job.corner_cos, [-1, 1, 0, -1, -1, -1], atol=1e-12)


def test_dwell_temperature_and_fan_words() -> None:
    job = read(
        "M104 S200", "G1 X0 Y0 F600", "G1 X1", "M109 R210", "M106 S51", "G4 S2", "G1 X2",
        "M107", "G4 P250", "M104 T1 S90", "M106 P1 S255", "G1 X3",
    )  # fmt: skip
    np.testing.assert_allclose(job.dwell_s[job.kind == s.DWELL], [2.0, 0.25])
    np.testing.assert_allclose(job.set_temperature_C, [200.0, 210, 210, 210, 210, 210])
    np.testing.assert_allclose(job.fan, [np.nan, np.nan, 0.2, 0.2, 0.0, 0.0])
    assert (job.kind == s.WAIT).sum() == 1


def test_roles_and_layers_from_declared_patterns() -> None:
    job = read(
        "G1 X0 Y0 F600", "G1 X1", "; layer 0", "; role: wall", "G1 X2", "G1 X3 (role: bridge)",
        "; something else", ";layer 1", "G1 X4", "G1 X5 ; role: wall",
    )  # fmt: skip
    names = [job.role_names[k] for k in job.role]
    assert names == ["other", "wall", "bridge", "bridge", "wall"]
    assert job.layer.tolist() == [-1, 0, 0, 1, 1]
    assert job.unmatched == ("something else",)


def test_layers_by_height_ignore_hops() -> None:
    lines = ["G1 X0 Y0 Z0.2 F600", "G1 X1 E1", "G0 Z1", "G0 Z0.2", "G1 X2 E2"]
    job = read(*lines, "G1 Z0.4", "G1 X3 E3", "G1 X4 E4", patterns=CommentPatterns())
    assert job.layer[job.kind == s.EXTRUDE].tolist() == [0, 0, 1, 1]


def test_unknown_words_are_kept_and_counted() -> None:
    job = read(
        "%", "M862 P1 S2", "M862 P2", "G29.1", "T1", "START_SOMETHING A=1", "M117 Hello X1 world",
        "g1 x0 y0 f600", "N5 G1 X1*99", "G1 X2 Q7",
    )  # fmt: skip
    assert job.unknown == {"M862": 2, "G29.1": 1, "T1": 1, "M117": 1}
    assert (job.unread_lines, job.first_unread_line) == (1, 6)
    np.testing.assert_allclose(job.length_mm, [1.0, 1.0])


def test_motion_words_hold_and_homing_forgets() -> None:
    job = read("G1 X0 Y0 F600", "X4", "G28", "G1 X9 Y9", "X10")
    np.testing.assert_allclose(job.length_mm, [4.0, 1.0])


@pytest.mark.parametrize(
    ("line", "part"),
    [
        ("G1 X nan", "without a number"),
        ("G1 X1 X2", "twice"),
        ("G1 X1.2.3", "neither a word"),
        ("G1 X1e308999999999999", "beyond"),
        ("G1 X1 F0", "not positive"),
        ("G1 X1 F-60", "not positive"),
        ("G4 P-5", "backwards"),
        ("G2 X5 Y5 I20 J0", "off its circle"),
        ("G18", "XY plane"),
        ("M104 S5000", "out of range"),
        ("M104", "without a number"),
        ("G4 P1 M104 S20", "two actions"),
        ("G4 P1 X5", "two actions"),
        ("G1 \x00", "neither a word"),
        ("\x00\x01", "not text"),
        ("\xff\xd8", "not text"),
    ],
)
def test_hostile_lines_are_named(line: str, part: str) -> None:
    with pytest.raises(BadInput) as caught:
        read_timeline(b"G21\nG1 X0 Y0 F600\nG1 X5 Y0\n" + line.encode("latin-1") + b"\nG1 X9\n")
    assert part in str(caught.value)
    assert str(caught.value).startswith("line 4: ")
    assert "\n" not in str(caught.value)


def test_arcs_and_axis_words_out_of_nowhere_are_refused() -> None:
    with pytest.raises(BadInput, match="not known yet"):
        read("G2 X5 Y5 I5 J0 F60")
    with pytest.raises(BadInput, match="before any G0"):
        read("X5")


@pytest.mark.parametrize("text", [b"", b"\n\n", b"; only words\n", b"M104 S200\nM109 S200\n"])
def test_no_moves(text: bytes) -> None:
    with pytest.raises(BadInput, match="no moves"):
        read_timeline(text)


def test_a_huge_line_is_refused_without_reading_it_all() -> None:
    taken = 0

    def chunks():
        nonlocal taken
        for _ in range(1000):
            taken += 1
            yield b"A" * 1_000_000

    with pytest.raises(BadInput, match="longer than"):
        read_timeline(chunks())
    assert taken < 20
    with pytest.raises(BadInput, match="line 2: a line longer than"):
        read_timeline(b"G21\n" + b"X" * 70_000 + b"\n")


def test_too_many_layers() -> None:
    lines = [b"; layer\nG1 X%d E%d F60" % (k % 2, k) for k in range(MAX_LAYERS + 2)]
    with pytest.raises(BadInput, match="too many layers"):
        read_timeline(b"\n".join(lines), PATTERNS)


def test_a_bad_pattern_is_named() -> None:
    with pytest.raises(BadInput, match="role 'wall'"):
        CommentPatterns({"wall": "("})


numbers = st.floats(-500, 500).map(lambda value: round(value, 4))
moves = st.lists(
    st.fixed_dictionaries(
        {},
        optional={"X": numbers, "Y": numbers, "Z": numbers, "E": numbers},
    ),
    min_size=1,
    max_size=30,
)


def plain_reading(words: list[dict[str, float]]) -> list[tuple[float, float]]:
    """Length and filament of every move that moves, step by step; everything starts at 0."""
    at = dict.fromkeys("XYZE", 0.0)
    out = []
    for word in words:
        new = {**at, **word}
        length = math.dist([at[a] for a in "XYZ"], [new[a] for a in "XYZ"])
        if length > 0.0 or new["E"] != at["E"]:
            out.append((length, new["E"] - at["E"]))
        at = new
    return out


@given(moves, st.integers(1, 40))
def test_any_moves_in_any_chunks(words: list[dict[str, float]], size: int) -> None:
    lines = [" ".join(f"{letter}{value:.4f}" for letter, value in w.items()) for w in words]
    text = "G92 X0 Y0 Z0 E0\nG1 F600\nG1 X1\nG1 X0\n" + "".join(f"G1 {x}\n" for x in lines)
    data = text.encode()
    job = read_timeline(data[k : k + size] for k in range(0, len(data), size))
    expected = plain_reading(words)
    np.testing.assert_allclose(job.length_mm[2:], [e[0] for e in expected], atol=1e-9)
    np.testing.assert_allclose(job.fed_mm[2:], [e[1] for e in expected], atol=1e-9)


@given(st.from_regex(re.compile(r"[-+]?[0-9]{1,4}(\.[0-9]{0,6})?"), fullmatch=True))
def test_numbers_are_read_as_python_reads_them(text: str) -> None:
    job = read_timeline(f"G92 X0\nG1 X{text} F60\nG1 X99999\n".encode())
    assert 99999.0 - job.length_mm[-1] == pytest.approx(float(text), abs=1e-9)


def outcome(data: bytes) -> Timeline | str:
    try:
        return read_timeline(data)
    except BadInput as error:
        return str(error)


@given(st.binary(max_size=300))
def test_any_bytes_end_in_a_timeline_or_one_line(data: bytes) -> None:
    result = outcome(data)
    assert "\n" not in result if isinstance(result, str) else len(result) > 0


def test_words_after_the_last_step_hold_nowhere() -> None:
    job = read("M104 S200", "G1 X0 Y0 F600", "G1 X1", "M104 S0", "M106 S255")
    np.testing.assert_array_equal(job.set_temperature_C, [200.0])
    assert np.isnan(job.fan).all()
    assert job.event_step.tolist() == [0, 1, 1]


@given(st.lists(st.tuples(st.integers(0, 8), st.floats(0.0, 300.0)), max_size=12))
def test_held_values_are_the_last_word_before_each_step(words: list[tuple[int, float]]) -> None:
    words.sort(key=lambda word: word[0])
    lines = ["G1 X0 F600"]
    for k in range(6):
        lines += [f"M104 S{value:.2f}" for step, value in words if step == k]
        lines.append(f"G1 X{k + 1}")
    expected = []
    for k in range(6):
        before = [value for step, value in words if step <= k]
        expected.append(round(before[-1], 2) if before else math.nan)
    np.testing.assert_allclose(read(*lines).set_temperature_C, expected, atol=1e-9)


@given(st.lists(st.sampled_from(["; layer", "; role: wall", "; role: bridge", "G1"]), max_size=25))
def test_roles_and_layers_change_at_their_comments(parts: list[str]) -> None:
    lines, at, role, layer, expected = ["G1 X0 F600"], 0, "other", -1, []
    for part in [*parts, "G1"]:
        if part == "G1":
            at += 1
            lines.append(f"G1 X{at}")
            expected.append((role, layer))
            continue
        lines.append(part)
        layer += part == "; layer"
        role = part.removeprefix("; role: ") if "role" in part else role
    job = read(*lines)
    found = [(job.role_names[r], int(k)) for r, k in zip(job.role, job.layer, strict=True)]
    assert found == expected


@pytest.mark.parametrize(
    ("line", "value"),
    [("M106", 1.0), ("M106 S0", 0.0), ("M106 S127.5", 0.5), ("M107", 0.0), ("M107 S200", 0.0)],
)
def test_fan_words(line: str, value: float) -> None:
    job = read("G1 X0 F600", line, "G1 X1")
    assert job.fan.tolist() == [value]


@pytest.mark.parametrize(
    "line",
    ["M106 S256", "M106 S-1", "M106 S", "M104 S", "M104 R200", "M109 S R200", "G4 S", "G4 P"],
)
def test_setpoints_and_pauses_that_are_none(line: str) -> None:
    with pytest.raises(BadInput, match="line 2: "):
        read("G1 X0 F600", line, "G1 X1")


@pytest.mark.parametrize("head", ["", "\ufeff"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_line_ends_and_byte_order_mark_change_nothing(head: str, newline: str) -> None:
    text = head + newline.join(["G1 X0 Y0 F600", "; layer", "G1 X3 Y4 ; role: wall", ""])
    job = read_timeline(text.encode(), PATTERNS)
    assert (job.length_mm.tolist(), job.layer.tolist(), job.lines) == ([5.0], [0], 3)
