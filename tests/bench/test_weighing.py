"""Masses from a scale's lines, and from a person while the printer is watched."""

import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.bench.weighing import (
    SHAPES,
    STABLE_READINGS,
    AskingScale,
    LineScale,
    PATIENCE_s,
    doubt,
    grams,
)
from hotbench.core.errors import BadInput, FellShort, NoReply
from hotbench.link.serial_port import SerialTransport
from hotbench.sim.serve import PtyEndpoint, TcpEndpoint

LINE_INTERVAL_s = 0.2


class PrintingScale:
    """Implements `core.ports.Transport`: a scale that prints its lines in virtual time."""

    name = "fake scale"

    def __init__(
        self, lines: list[bytes], *, backlog: bytes = b"", interval_s: float = LINE_INTERVAL_s
    ) -> None:
        self.lines, self.backlog, self.time_s, self.done = lines, backlog, 0.0, 0
        self.interval_s = interval_s
        self.closed = False

    def now_s(self) -> float:
        return self.time_s

    def write(self, data: bytes) -> None:
        raise AssertionError("a scale is not spoken to")

    def read(self, deadline_s: float) -> bytes:
        if self.backlog:
            data, self.backlog = self.backlog, b""
            return data
        due_s = (self.done + 1) * self.interval_s
        if due_s > deadline_s or self.done >= len(self.lines):
            self.time_s = max(self.time_s, deadline_s)
            return b""
        self.time_s, self.done = due_s, self.done + 1
        return self.lines[self.done - 1]

    def close(self) -> None:
        self.closed = True


def printed(*masses_g: float) -> list[bytes]:
    return [f"+ {mass:.3f} g\r\n".encode() for mass in masses_g]


def test_a_scale_that_never_pauses_is_read_all_the_same() -> None:
    scale = PrintingScale(printed(*[1.234] * 2000), interval_s=0.004)
    assert LineScale(scale).mass_g() == 1.234
    assert scale.time_s < 1.0


def test_waits_until_it_is_stable() -> None:
    scale = PrintingScale(printed(0.1, 0.5, 0.9, 1.2, *[1.234] * STABLE_READINGS, 9.0))
    assert LineScale(scale).mass_g() == 1.234
    assert scale.done == 4 + STABLE_READINGS


def test_small_flicker_is_stable() -> None:
    flicker = [1.234 + 0.001 * (k % 2) for k in range(STABLE_READINGS)]
    assert LineScale(PrintingScale(printed(*flicker))).mass_g() == pytest.approx(1.2345, abs=0.001)


def test_never_stable() -> None:
    restless = PrintingScale(printed(*(0.01 * k for k in range(1000))))
    with pytest.raises(NoReply, match="fake scale: no stable reading"):
        LineScale(restless).mass_g()
    assert restless.time_s == pytest.approx(PATIENCE_s, abs=0.3)


def test_what_was_printed_before_is_dropped() -> None:
    old = b"".join(printed(*[0.5] * 20))
    scale = PrintingScale(printed(*[2.0] * (STABLE_READINGS + 1)), backlog=old)
    assert LineScale(scale).mass_g() == 2.0


def test_lines_cut_anywhere() -> None:
    whole = b"".join(printed(*[3.25] * (STABLE_READINGS + 2)))
    pieces = [whole[i : i + 5] for i in range(0, len(whole), 5)]
    assert LineScale(PrintingScale(pieces)).mass_g() == 3.25


def test_the_printer_is_watched_meanwhile() -> None:
    polls: list[int] = []
    scale = LineScale(PrintingScale(printed(*[1.0] * 20)))
    scale.idle = lambda: polls.append(1)
    scale.mass_g()
    assert len(polls) >= STABLE_READINGS


def test_a_pattern_of_ones_own() -> None:
    lines = [b"ST,NET 0004.21 x\n"] * (STABLE_READINGS + 1)
    assert LineScale(PrintingScale(lines), r"NET\s+(\d+\.\d+)").mass_g() == 4.21


@pytest.mark.parametrize("pattern", ["(", r"\d+", r"(\d)(\d)"])
def test_a_bad_pattern(pattern: str) -> None:
    with pytest.raises(BadInput, match="--scale-pattern"):
        LineScale(PrintingScale([]), pattern)


@given(st.floats(0.0, 999.0).map(lambda mass: round(mass, 3)), st.sampled_from(".,"))
def test_grams_as_people_write_them(mass_g: float, sign: str) -> None:
    assert grams(f"+ {mass_g:.3f}".replace(".", sign)) == mass_g


def test_asked_masses_add_up() -> None:
    answers = iter(["1.25", "abc", "0,75"])
    questions: list[str] = []

    def ask(text: str) -> str:
        questions.append(text)
        return next(answers)

    scale = AskingScale(ask)
    assert [scale.mass_g() for _ in range(4)] == [0.0, 1.25, 1.25, 2.0]
    assert "'abc' is not a mass" in questions[-1]


def test_an_empty_answer_means_later() -> None:
    scale = AskingScale(lambda text: "")
    assert scale.mass_g() == 0.0
    assert scale.mass_g() is None


@pytest.mark.parametrize("slip", ["0", "-0.2", "nan", "inf", "1e999", "0,0"])
def test_what_is_no_mass_is_asked_again(slip: str) -> None:
    answers, asked = iter([slip, "0.29"]), list[str]()

    def ask(text: str) -> str:
        asked.append(text)
        return next(answers)

    scale = AskingScale(ask)
    assert [scale.mass_g(), scale.mass_g()] == [0.0, 0.29]
    assert asked[1].startswith(f"'{slip}' is not a mass")


FED_g = 0.298
TAKES = {"0.298": 0.298, "0,06": 0.06, "0.387": 0.387}
DOUBTS = {
    "0.02": "0.02 is not near 0.298 g, which was fed; the same again to keep it",
    "2.9": "2.9 is not near 0.298 g, which was fed; the same again to keep it",
}
NEVER = {
    "298": "298 is not near 0.298 g; if these were mg, it is 0.298",
    "12.6": "12.6 is not near 0.298 g, which was fed; of this extrusion alone",
    "nan": "'nan' is not a mass above 0 g",
    "-0.298": "'-0.298' is not a mass above 0 g",
}


class Person:
    """Types these answers, one after the other."""

    def __init__(self, *answers: str) -> None:
        self.answers, self.asked = list(answers), list[str]()

    def __call__(self, question: str) -> str:
        self.asked.append(question)
        return self.answers.pop(0)


def weighed(person: Person) -> tuple[float | None, list[str]]:
    """The mass that is kept, and what goes into the run."""
    scale, said = AskingScale(person, FED_g), list[str]()
    scale.say = said.append
    scale.mass_g()
    return scale.mass_g(), said


@pytest.mark.parametrize("typed", TAKES)
def test_a_plausible_mass_is_asked_once(typed: str) -> None:
    person = Person(typed)
    assert weighed(person) == (TAKES[typed], [])
    assert len(person.asked) == 1


@pytest.mark.parametrize("typed", DOUBTS)
def test_a_mass_hard_to_believe_is_kept_when_it_is_typed_twice(typed: str) -> None:
    person = Person(typed, typed)
    mass_g, said = weighed(person)
    assert mass_g == float(typed)
    assert person.asked[1].startswith(DOUBTS[typed])
    assert said == [f"mass '{typed}' asked for again: {DOUBTS[typed]}"]


@pytest.mark.parametrize("typed", NEVER)
def test_a_mass_that_cannot_be_meant_is_never_kept_and_never_lost(typed: str) -> None:
    person = Person(typed, typed, "0.29")
    mass_g, said = weighed(person)
    assert mass_g == 0.29
    assert said == [f"mass '{typed}' asked for again: {NEVER[typed]}"] * 2
    assert all(asked.startswith(NEVER[typed]) for asked in person.asked[1:])
    assert all("\n" not in asked for asked in person.asked)


def test_two_doubtful_masses_that_differ_are_not_one_typed_twice() -> None:
    assert weighed(Person("2.9", "2.8", "0.3"))[0] == 0.3


@given(st.floats(1e-3, 1e3), st.floats(1e-4, 1e4))
def test_only_what_lies_between_the_believable_shares_goes_undoubted(fed: float, r: float) -> None:
    assert (doubt(r * fed, fed) is None) == (0.2 * fed <= r * fed <= 1.3 * fed)


def test_polls_while_a_person_thinks() -> None:
    polled = threading.Event()
    polls: list[int] = []

    def idle() -> None:
        polls.append(1)
        if len(polls) >= 5:
            polled.set()

    def ask(text: str) -> str:
        assert polled.wait(10.0)
        return "2"

    scale = AskingScale(ask)
    scale.idle = idle
    scale.mass_g()
    assert scale.mass_g() == 2.0
    assert len(polls) >= 5


def test_a_person_who_interrupts() -> None:
    def ask(text: str) -> str:
        raise KeyboardInterrupt

    scale = AskingScale(ask)
    scale.mass_g()
    with pytest.raises(KeyboardInterrupt):
        scale.mass_g()


@pytest.mark.parametrize(
    ("shape", "moving", "steady"),
    [
        ("flags-first", "US,NT,+0001.10 g", "ST,NT,+0001.23 g"),
        ("letters-first", "S D      1.10 g", "S S      1.23 g"),
        ("mark-last", "   1.10 g ?", "   1.23 g"),
    ],
)
def test_declared_shapes_pass_over_moving_readings(shape: str, moving: str, steady: str) -> None:
    lines = [moving] * 12 + [steady] * STABLE_READINGS
    scale = PrintingScale([f"{line}\r\n".encode() for line in lines])
    assert LineScale(scale, shape=shape).mass_g() == 1.23
    assert scale.done == len(lines)


@pytest.mark.parametrize(
    ("shape", "line", "why"),
    [
        ("number", "  O.L  ", "overload: 'O.L'"),
        ("number", "------ g", "overload"),
        ("flags-first", "OL,NT,+9999.99 g", "overload: 'OL,NT"),
        ("flags-first", "US,NT,+0001.10 g", "not settled: 'US,NT"),
        ("letters-first", "S +", "overload: 'S +'"),
        ("letters-first", "S D      1.10 g", "not settled"),
        ("mark-last", "1.10 g ?", "not settled"),
        ("number", "hello", "not understood: 'hello'"),
    ],
)
def test_lines_that_are_no_readings_are_refused_by_name(shape: str, line: str, why: str) -> None:
    scale = LineScale(PrintingScale([f"{line}\n".encode()] * 400), shape=shape)
    with pytest.raises(NoReply) as error:
        scale.mass_g()
    assert why in str(error.value)
    assert "\n" not in str(error.value)


def test_a_silent_scale_is_named() -> None:
    with pytest.raises(NoReply, match="nothing was heard"):
        LineScale(PrintingScale([])).mass_g()


def test_one_overload_line_restarts_the_wait_for_stability() -> None:
    steady = printed(*[1.0] * STABLE_READINGS)
    lines = [*steady[1:], b"ERR\n", *steady]
    scale = PrintingScale(lines)
    assert LineScale(scale).mass_g() == 1.0
    assert scale.done == len(lines)


def test_below_zero_is_refused() -> None:
    with pytest.raises(FellShort, match="below zero; tare with the empty pan in place"):
        LineScale(PrintingScale(printed(*[-3.2] * 20))).mass_g()


def test_an_unknown_shape_is_refused() -> None:
    with pytest.raises(BadInput, match="did you mean 'flags-first'"):
        LineScale(PrintingScale([]), shape="flag-first")


def weighed_in_turn(*masses_g: float) -> list[str]:
    """What is said when the pan reads these masses, before and after in turn."""
    lines = [line for mass in masses_g for line in printed(*[mass] * STABLE_READINGS)]
    said: list[str] = []
    scale = LineScale(PrintingScale(lines))
    scale.say = said.append
    assert [scale.mass_g() for _ in masses_g] == list(masses_g)
    return said


def test_a_tared_and_steady_pan_is_not_remarked_upon() -> None:
    assert weighed_in_turn(0.0, 0.298, 0.298, 0.59, 0.595, 0.9) == []


def test_a_pan_that_was_not_tared_is_named() -> None:
    (said,) = weighed_in_turn(12.3, 12.6)
    assert said.startswith("scale: +12.300 g since the last weighing (not tared")


def test_drift_between_weighings_is_named() -> None:
    (said,) = weighed_in_turn(0.0, 0.3, 0.33, 0.6)
    assert said.startswith("scale: +0.030 g since the last weighing")


def test_an_emptied_pan_is_no_drift() -> None:
    assert weighed_in_turn(0.0, 0.3, 0.0, 0.3) == []


@given(st.sampled_from(sorted(SHAPES)), st.binary(max_size=60))
def test_noise_on_the_line_is_never_a_mass(shape: str, noise: bytes) -> None:
    noise = bytes(byte for byte in noise if not 48 <= byte <= 57)
    with pytest.raises(NoReply):
        LineScale(PrintingScale([noise, b"\n"] * 3), shape=shape).mass_g()


@pytest.mark.wire
@pytest.mark.parametrize("kind", ["pty", "socket"])
def test_a_scale_on_a_second_port(kind: str) -> None:
    endpoint = PtyEndpoint() if kind == "pty" else TcpEndpoint(0)
    done = threading.Event()

    def serve() -> None:
        while not done.wait(0.02):
            endpoint.read()
            endpoint.write(fed[-1])

    fed = [b"ST,NT,+0001.23 g\r\n"]
    thread = threading.Thread(target=serve)
    thread.start()
    transport = SerialTransport(endpoint.address, 9600)
    try:
        assert LineScale(transport, shape="flags-first").mass_g() == 1.23
        fed.append(b"OL,NT,+9999.99 g\r\n")
        scale = LineScale(transport, shape="flags-first", patience_s=0.5)
        with pytest.raises(NoReply, match="overload: 'OL,NT"):
            scale.mass_g()
    finally:
        transport.close()
        done.set()
        thread.join()
        endpoint.close()
