"""Two hundred and more malformed or hostile profiles: each refused by one clear line, quickly."""

import os
import re
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture
from ruamel.yaml import YAML

from hotbench.core.errors import BadInput
from hotbench.models.heater import HEATER_MODELS
from hotbench.profile.safe_yaml import LIMIT_BYTES
from hotbench.profile.yaml_io import loads, parse, read_profile

VALID = (Path(__file__).parents[2] / "data_demo" / "example_machine.yaml").read_text("utf-8")
LINES = VALID.splitlines(keepends=True)
KEY = re.compile(r"([\w]+):")
NUMBER = re.compile(r"(?<=: )-?\d+\.\d+(?=[,}\n])")
PARAMETERS = {parameter.name for parameter in HEATER_MODELS["two-node"].parameters}
HEAD = "hotbench_profile: 1\n"

FREE_KEYS = {"seed", "fault_spread", "hotbench_profile", *PARAMETERS}
"""Options and model parameters go by any name; the version has cases of its own."""

Case = tuple[str, bytes]


def text_lines() -> list[int]:
    return [n for n, line in enumerate(LINES) if not line.lstrip().startswith("#") and line.strip()]


def with_line(number: int, line: str) -> bytes:
    return "".join([*LINES[:number], line, *LINES[number + 1 :]]).encode()


def misspelt_keys() -> Iterator[Case]:
    for number in text_lines():
        keys = list(KEY.finditer(LINES[number]))
        for key in keys[:1]:
            word = key.group(1)
            if len(word) > 3 and word not in FREE_KEYS:
                line = LINES[number].replace(f"{word}:", f"{word[:-2]}{word[-1]}x:", 1)
                yield f"misspelt {word} on line {number + 1}", with_line(number, line)


def wrong_numbers() -> Iterator[Case]:
    values = ('"12"', "true", "[1.0]", "{a: 1}", ".nan", ".inf", "-.inf", "1e999", "9" * 70)
    spots = [(n, m) for n in text_lines() for m in NUMBER.finditer(LINES[n])]
    chosen = np.random.default_rng(20260302).permutation(len(spots))[:63]
    for spot, value in zip(chosen, values * 7, strict=True):
        number, match = spots[spot]
        line = LINES[number][: match.start()] + value + LINES[number][match.end() :]
        yield f"{value[:8]} on line {number + 1}", with_line(number, line)


def repeated_lines() -> Iterator[Case]:
    for number in text_lines():
        if not LINES[number].lstrip().startswith("-"):
            yield f"line {number + 1} twice", with_line(number, LINES[number] * 2)


def cut_off() -> Iterator[Case]:
    raw = VALID.encode()
    for part in range(1, 20):
        yield f"cut at {part}/25", raw[: len(raw) * part // 25]


def other_bytes() -> Iterator[Case]:
    rng = np.random.default_rng(7)
    for length in (1, 10, 1000, 100_000, 200_000):
        yield f"{length} random bytes", rng.bytes(length)
    raw = VALID.encode()
    for place in (0, 30, len(raw) // 2, len(raw) - 1):
        yield f"byte 0xff at {place}", raw[:place] + b"\xff" + raw[place:]
        yield f"null byte at {place}", raw[:place] + b"\x00" + raw[place:]
    yield "UTF-16", VALID.encode("utf-16")
    yield "empty", b""
    yield "blank", b" \n\n"
    yield "only comments", b"# nothing\n"


def code_and_bombs() -> Iterator[Case]:
    for tag in ("!!python/object/apply:os.system", "!!python/name:os.system", "!run", "!!binary"):
        yield f"tag {tag}", f"{HEAD}machine: {tag} ['exit 3']\n".encode()
        yield f"tag {tag} on the root", f"{tag}\n{HEAD}".encode()
    bomb = "a: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
        f"{name}: &{name} [{','.join([f'*{before}'] * 9)}]\n"
        for before, name in zip("abcdefghi", "bcdefghij", strict=True)
    )
    yield "alias bomb", (HEAD + bomb).encode()
    yield "alias to itself", f"{HEAD}machine: &m {{name: *m}}\n".encode()
    yield "merge key", f"{HEAD}machine: {{<<: {{name: x}}}}\n".encode()
    yield "unused anchor", VALID.replace("name: bench", "name: &x bench").encode()


def too_much() -> Iterator[Case]:
    yield "nested lists", (HEAD + "machine: " + "[" * 200_000).encode()
    yield "nested mappings", (HEAD + "machine: " + "{a: " * 50_000).encode()
    yield "nested blocks", (HEAD + "".join(f"{' ' * n}a:\n" for n in range(400))).encode()
    yield "too large", VALID.encode() + b"#" * LIMIT_BYTES
    yield "many values", (HEAD + "slew: [" + "1," * 100_000 + "]\n").encode()
    yield "many keys", (HEAD + "".join(f"k{n}: 1\n" for n in range(20_000))).encode()
    yield "long word", (HEAD + "machine: " + "x" * 200_000 + "\n").encode()
    yield "long key", ("x" * 200_000 + ": 1\n").encode()
    yield "long number", (HEAD + "machine: " + "1" * 200_000 + "\n").encode()
    yield "many quotes", (HEAD + 'machine: "' + "\\x41" * 100_000).encode()
    yield "many documents", (VALID + "---\n" * 1000).encode()
    yield "question marks", (HEAD + "? " * 100_000).encode()
    yield "dashes", (HEAD + "slew:\n" + " -" * 100_000).encode()


def not_a_profile() -> Iterator[Case]:
    for version in ("0", "2", "-1", "1.0", '"1"', "true", "null", "[1]", "99999999999"):
        yield f"version {version}", VALID.replace(HEAD, f"hotbench_profile: {version}\n").encode()
    yield "version second", VALID.replace(HEAD, "").encode() + HEAD.encode()
    yield "a list", b"- 1\n- 2\n"
    yield "a word", b"profile\n"
    yield "a number", b"12\n"
    yield "no version", b"machine: {name: x}\n"
    yield "only a version", HEAD.encode()
    yield "tabs", VALID.replace("  name", "\tname").encode()
    yield "other directive", b"%YAML 3.0\n---\n" + VALID.encode()
    yield "broken directive", b"%YAML\n---\n" + VALID.encode()
    yield "half a pair", VALID.replace("bench sleeve", '"\\ud800"').encode()
    yield "number as key", VALID.replace("  name:", "  ? [1]\n  :").encode()
    yield "digest too short", VALID.replace("0000000000000001", "1").encode()
    yield "interval beside the value", VALID.replace("value: 21.3", "value: 99.0").encode()
    yield "dip upwards", VALID.replace("to_C: 190.0", "to_C: 230.0").encode()
    yield "more faults than trials", VALID.replace("faults: 0", "faults: 99").encode()
    yield "unknown cause", VALID.replace("cause: passive cooling", "cause: mood").encode()
    yield (
        "impossible temperature",
        VALID.replace("at_temperature_C: 220.0", "at_temperature_C: -300.0").encode(),
    )
    yield "impossible fan", VALID.replace("fan: 1.0", "fan: 255.0").encode()


GROUPS = (
    misspelt_keys,
    wrong_numbers,
    repeated_lines,
    cut_off,
    other_bytes,
    code_and_bombs,
    too_much,
    not_a_profile,
)
CASES = dict(case for group in GROUPS for case in group())


def test_there_are_two_hundred_of_them() -> None:
    """Two hundred files that differ from each other, not two hundred names."""
    assert len(set(CASES.values())) >= 200


@pytest.mark.parametrize("name", CASES)
def test_refused_by_one_line(name: str) -> None:
    with pytest.raises(BadInput) as caught:
        parse(CASES[name], "machine.yaml")
    line = str(caught.value)
    assert line.startswith("machine.yaml")
    assert "\n" not in line
    assert line.isprintable()
    assert 20 < len(line) < 300


def spent_s(name: str) -> float:
    started_s = time.process_time()
    with pytest.raises(BadInput):
        parse(CASES[name], "machine.yaml")
    return time.process_time() - started_s


@pytest.mark.bench
def test_the_slowest_refusal_takes_less_than_a_second(benchmark: BenchmarkFixture) -> None:
    """And less than half of what the parser alone takes for as large a list without any limit."""
    parser = YAML(typ="safe", pure=True)
    times_s = {name: min(spent_s(name) for _ in range(2)) for name in CASES}
    slowest = max(times_s, key=lambda name: times_s[name])
    benchmark.pedantic(spent_s, args=(slowest,), rounds=2)
    started_s = time.process_time()
    parser.load("[" + "1," * 100_000 + "]")
    unbounded_s = time.process_time() - started_s
    benchmark.extra_info |= {"slowest": slowest, "share": times_s[slowest] / unbounded_s}
    assert times_s[slowest] < min(1.0, 0.5 * unbounded_s)


def refusal(text: str) -> str:
    with pytest.raises(BadInput) as caught:
        loads(text, "m.yaml")
    return str(caught.value)


def test_a_misspelt_key_names_its_line_and_the_nearest() -> None:
    line = refusal(VALID.replace("combined_lag", "combined_lagg"))
    number = VALID[: VALID.index("combined_lag")].count("\n") + 1
    expected = f"m.yaml line {number}, heater.combined_lagg: unknown key 'combined_lagg'"
    assert line == f"{expected}; did you mean 'combined_lag'?"


def test_a_misspelt_key_inside_a_quantity_and_a_row_is_found() -> None:
    in_quantity = refusal(VALID.replace("value: 21.3", "valeu: 21.3"))
    assert (
        "heater.parameters.heating_K_per_s.valeu: unknown key 'valeu'; did you mean 'value'?"
        in in_quantity
    )
    in_row = refusal(VALID.replace("start: cold", "strat: cold", 1))
    assert "heater.heating_rate[0].strat: unknown key 'strat'; did you mean 'start'?" in in_row


def test_a_wrong_value_is_shown_with_its_place() -> None:
    line = refusal(VALID.replace("value: 0.62", "value: fast"))
    assert "heater.combined_lag.value: should be a valid number (got 'fast')" in line


def test_a_missing_key_is_named() -> None:
    line = refusal(VALID.replace("  model: two-node\n", ""))
    assert line.endswith("heater: missing key 'model'")


def test_the_version_is_refused_with_the_way_out() -> None:
    line = refusal(VALID.replace(HEAD, "hotbench_profile: 2\n"))
    expected = "profile version is newer than this package (got 2, limit 1); update hotbench"
    assert line == f"m.yaml line 1, hotbench_profile: {expected}"


@pytest.mark.parametrize("name", ["absent.yaml", "."])
def test_what_is_no_file_is_refused(name: str, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"no such file|not an ordinary file"):
        read_profile(tmp_path / name)


def test_a_named_pipe_is_refused_without_waiting(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.yaml")
    with pytest.raises(BadInput, match="not an ordinary file"):
        read_profile(tmp_path / "pipe.yaml")
