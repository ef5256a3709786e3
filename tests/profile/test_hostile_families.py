"""Profiles that are wrong in one place each: named by their path, in a line of their own kind."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from hotbench.core.errors import BadInput
from hotbench.profile.yaml_io import loads, parse

HEAD = "hotbench_profile: 1\n"
MACHINE = "machine: {name: bench}\n"
PROVENANCE = 'provenance: {software_version: "1", date: "2026-01-01"}\n'
PLAIN = HEAD + MACHINE + PROVENANCE

Case = tuple[str, str, str]
"""What is wrong, the file, and a part of the line that must be said."""


def with_section(text: str) -> str:
    return HEAD + MACHINE + text + PROVENANCE


def kinds_of_sections() -> Iterator[Case]:
    """Each section as a number, a word, a truth and the wrong collection."""
    mappings, lists = ("heater", "melt", "control"), ("slew", "jumps", "repetition", "dips")
    for name in (*mappings, *lists, "smoothing", "other_melts"):
        collection = "[5]" if name in mappings else "{a: 5}"
        for value in ("5", "word", "true", collection):
            yield f"{name} as {value}", with_section(f"{name}: {value}\n"), f"line 3, {name}"
    for value in ("5", "word", "true", "[5]", "null"):
        yield f"machine as {value}", HEAD + f"machine: {value}\n" + PROVENANCE, "line 2, machine"
        yield f"provenance as {value}", HEAD + MACHINE + f"provenance: {value}\n", "provenance"


QUANTITIES = {
    "{unit: s, basis: fitted}": "missing",
    "{value: 1.0, basis: fitted}": "missing",
    "{value: 1.0, unit: s}": "missing",
    "{value: null, unit: s, basis: fitted}": "value: should be a valid number",
    '{value: "1.0", unit: s, basis: fitted}': "value: should be a valid number",
    "{value: [1.0], unit: s, basis: fitted}": "value",
    "{value: 1.0, unit: 5, basis: fitted}": "unit: should be a valid string (got 5)",
    "{value: 1.0, unit: null, basis: fitted}": "unit: should be a valid string",
    "{value: 1.0, unit: s, basis: guessed}": "basis: should be 'measured'",
    "{value: 1.0, unit: s, basis: Fitted}": "(got 'Fitted')",
    "{value: 1.0, unit: s, basis: fitted, low: 0.5}": "low, high and confidence go together",
    "{value: 1.0, unit: s, basis: fitted, confidence: 0.95}": "go together",
    "{value: 1.0, unit: s, basis: fitted, low: 0.5, high: 2.0}": "go together",
    "{value: 1.0, unit: s, basis: fitted, low: 0.5, high: 2.0, confidence: 95}": "between 0 and 1",
    "{value: 1.0, unit: s, basis: fitted, low: 0.5, high: 2.0, confidence: 1.0}": "between 0 and 1",
    "{value: 1.0, unit: s, basis: fitted, low: 0.5, high: 2.0, confidence: 0}": "between 0 and 1",
    "{value: 1.0, unit: s, basis: fitted, low: 1.5, high: 2.0, confidence: 0.9}": "hold the value",
    "{value: 1.0, unit: s, basis: fitted, low: 2.0, high: 0.5, confidence: 0.9}": "hold the value",
    "{value: 1.0, unit: s, basis: fitted, lwo: 0.5}": "did you mean 'low'",
    "{value: 1.0, unit: s, basis: fitted, colour: red}": "unknown key 'colour'",
    "{value: 0x10, unit: s, basis: fitted}": "(got '0x10')",
    "{value: 1_000, unit: s, basis: fitted}": "(got '1_000')",
    "{value: 1:30, unit: s, basis: fitted}": "(got '1:30')",
    "{value: 1e400, unit: s, basis: fitted}": "not a finite number",
}


def wrong_quantities() -> Iterator[Case]:
    for quantity, said in QUANTITIES.items():
        text = with_section(f"heater: {{model: m, combined_lag: {quantity}}}\n")
        yield quantity, text, said


RATE = "rate_K_per_s: 1.0, basis: fitted"
MOVE = f"direction: heating, temperature_C: 200.0, limiting_cause: power, {RATE}"
ROWS = {
    f"slew: [{{{MOVE}, fan: 1.5}}]": "slew[0].fan: should be less than or equal to 1",
    f"slew: [{{{MOVE}, fan: -0.1}}]": "slew[0].fan: should be greater than or equal to 0",
    f"slew: [{{{MOVE}, coverage: 1.0}}]": "slew[0].coverage: should be less than 1",
    f"slew: [{{{MOVE}, coverage: 0}}]": "slew[0].coverage: should be greater than 0",
    f"slew: [{{{MOVE}, evidence: {{trials: -1}}}}]": "evidence.trials: should be greater than",
    f"slew: [{{{MOVE}, evidence: {{trials: 1.5}}}}]": "evidence.trials",
    f"slew: [{{{MOVE}, evidence: {{trials: 1, faults: 2}}}}]": "2 faults in 1 trials",
    f"slew: [{{{MOVE}, evidence: {{runs: r}}}}]": "evidence.runs",
    f"slew: [{{{MOVE}, evidence: {{confirmed: 1}}}}]": "evidence.confirmed",
    f"slew: [{{{MOVE}}}, 5]": "slew[1]",
    f"slew: [{{{MOVE.replace('heating', 'up')}}}]": "slew[0].direction",
    f"slew: [{{{MOVE.replace('power', 'mood')}}}]": "slew[0].limiting_cause",
    f"slew: [{{{MOVE.replace('200.0', '5000.0')}}}]": "slew[0].temperature_C: should be less",
    f"slew: [{{{MOVE.replace('1.0', '-1.0')}}}]": "slew[0].rate_K_per_s: should be greater",
    "control: {rule: r, form: parallel, at_temperature_C: 220.0, gains: {Kc: 1}}": "control",
    "control: {rule: r, form: other, at_temperature_C: 220.0, gains: {}}": "control.form",
    "control: {rule: r, form: ideal, at_temperature_C: 220.0}": "missing key 'gains'",
    "melt: {material: m}": "missing key",
    "heater: {parameters: {}}": "missing key 'model'",
    "heater: {model: m, valid_temperature: {low: 2.0, high: 1.0, unit: s}}": "is above high",
    f"heater: {{model: {'m' * 1001}}}": "at most 1000 characters",
    "heater: {model: m, heating_rate: {a: 1}}": "heater.heating_rate",
    "heater: {model: m, unidentified: [{parameter: p}]}": "missing key 'test'",
}


def wrong_rows() -> Iterator[Case]:
    for section, said in ROWS.items():
        yield section[:60], with_section(f"{section}\n"), said


def wrong_provenance() -> Iterator[Case]:
    run = 'run: r, procedure: step, created: ""'
    for digest in ("A" * 64, "0" * 63, "0" * 65, "g" * 64, ""):
        stated = (
            f'{{software_version: "1", date: "", runs: [{{{run}, sha256: {{f: "{digest}"}}}}]}}'
        )
        yield f"digest {digest[:3]} {len(digest)}", _provenance(stated), "runs[0].sha256.f"
    for options in ("{a: [1]}", "{a: {b: 1}}", "[1]", "word"):
        stated = f'{{software_version: "1", date: "", options: {options}}}'
        yield f"options {options}", _provenance(stated), "provenance.options"
    long = f'{{software_version: "1", date: "{"2" * 41}"}}'
    yield "long date", _provenance(long), "at most 40 characters"
    yield "no version", _provenance('{date: ""}'), "missing key 'software_version'"
    yield (
        "no runs' digests",
        _provenance(f"{{software_version: x, date: x, runs: [{{{run}}}]}}"),
        "sha256",
    )


def _provenance(stated: str) -> str:
    return f"{HEAD}{MACHINE}provenance: {stated}\n"


SYNTAX = {
    "%TAG ! tag:x,2000:\n---\n" + PLAIN + "note: !x y\n": "tags are not accepted",
    PLAIN + "note: !<tag:yaml.org,2002:str> y\n": "tags are not accepted",
    PLAIN + "note: !!set {a, b}\n": "tags are not accepted",
    PLAIN + "note: !!timestamp 2026-01-01\n": "tags are not accepted",
    PLAIN + "note: !!omap [a: 1]\n": "tags are not accepted",
    PLAIN + "? {a: 1}\n: 2\n": "a key must be plain text",
    PLAIN + "? [a]\n: 2\n": "a key must be plain text",
    PLAIN + "&a note: 1\n": "anchors and aliases",
    PLAIN + "note: *missing\n": "anchors and aliases",
    PLAIN + "machine: {name: twice}\n": "duplicate key 'machine'",
    PLAIN + "note: {a: 1, a: 2}\n": "duplicate key 'a'",
    PLAIN + "null: 1\n": "unknown key 'null'",
    PLAIN + "1: 1\n": "unknown key '1'",
    PLAIN + '"": 1\n': "unknown key ''",
    PLAIN + "he\u0430ter: {}\n": "unknown key 'he\\u0430ter'; did you mean 'heater'",
    PLAIN + '"hea\\u202Eter": {}\n': "unknown key 'hea\\u202eter'",
    PLAIN + '"hea\\nter": {}\n': "unknown key 'hea\\nter'",
    PLAIN + "no\x07te: 1\n": "a character that YAML does not allow",
    PLAIN + "note: >-\n": "unknown key 'note'",
    PLAIN + "note: 'open\n": "not YAML",
    PLAIN + "note: [1, 2\n": "not YAML",
    PLAIN + "note: }\n": "not YAML",
    PLAIN + "note: @x\n": "not YAML",
    PLAIN + "note: `x`\n": "not YAML",
    PLAIN + " note: 1\n": "not YAML",
    PLAIN + "note: a: b\n": "not YAML",
    PLAIN + "...\nmore\n": "more than one document",
    "--- 1\n--- 2\n": "more than one document",
    "<<: {hotbench_profile: 1}\n": "the first key must be hotbench_profile",
    "Hotbench_profile: 1\n": "the first key must be hotbench_profile",
    PLAIN.replace("\n", "\r") + "note: 1\r": "unknown key 'note'",
    PLAIN + "#" + "(" * 100_000 + "\nnote: 1\n": "unknown key 'note'",
    PLAIN + "note: " + "- " * 40 + "\n": "not YAML",
    PLAIN + "note: " + "[" * 13 + "]" * 13 + "\n": "nested too deeply",
    PLAIN + "note: " + "{a: " * 13 + "1" + "}" * 13 + "\n": "nested too deeply",
    PLAIN + "note: " + "1" * 61 + "\n": "number is too long",
    PLAIN + "note: ." + "0" * 5000 + "1e-5\n": "number is too long",
    PLAIN + "note: [" + "a," * 8_000 + "]\n": "too many values",
}


def wrong_syntax() -> Iterator[Case]:
    for text, said in SYNTAX.items():
        yield ascii(text.removeprefix(PLAIN)[:40]), text, said


FAMILIES = (kinds_of_sections, wrong_quantities, wrong_rows, wrong_provenance, wrong_syntax)
CASES = [case for family in FAMILIES for case in family()]


def refused(text: str) -> str:
    with pytest.raises(BadInput) as caught:
        loads(text, "m.yaml")
    return str(caught.value)


def test_the_plain_file_is_a_profile() -> None:
    assert loads(PLAIN).machine.name == "bench"


@pytest.mark.parametrize(("name", "text", "said"), CASES, ids=[case[0] for case in CASES])
def test_each_is_refused_in_one_line(name: str, text: str, said: str) -> None:
    line = refused(text)
    assert said in line
    assert line.startswith("m.yaml")
    assert line.isprintable()
    assert len(line) < 300


def test_there_are_as_many_refusals_as_files() -> None:
    """Not one line for all: nearly every file gets a line of its own."""
    lines = {refused(text) for _, text, _ in CASES}
    assert len(CASES) >= 140
    assert len(lines) >= 0.85 * len(CASES)


@pytest.mark.parametrize(
    "tag",
    [
        "!!python/object/apply:os.mkdir",
        "!!python/object/new:os.mkdir",
        "!<tag:yaml.org,2002:python/object/apply:os.mkdir>",
    ],
)
def test_a_tag_of_code_runs_nothing(tag: str, tmp_path: Path) -> None:
    made = tmp_path / "made"
    for text in (f"{PLAIN}note: {tag} ['{made}']\n", f"{tag} ['{made}']\n"):
        assert "tags are not accepted" in refused(text)
    assert not made.exists()


def test_bytes_that_are_no_text_name_their_line() -> None:
    with pytest.raises(BadInput, match=r"m\.yaml line 4: not UTF-8 text \(got byte 0xc3\)"):
        parse(PLAIN.encode() + b"\xc3", "m.yaml")
