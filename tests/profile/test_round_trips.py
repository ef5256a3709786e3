"""Whole profiles of any content: written, read, compared, checked, migrated, verified."""

import string
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hotbench.core.errors import BadInput
from hotbench.core.quantity import Quantity
from hotbench.profile.check import brief, check
from hotbench.profile.diff import compare
from hotbench.profile.migrations import upgrade
from hotbench.profile.plain import canonical
from hotbench.profile.provenance import disagreements
from hotbench.profile.summary import headline
from hotbench.profile.types import (
    Control,
    CoolingRate,
    Dip,
    FlowLimit,
    Heater,
    Machine,
    MachineProfile,
    Melt,
    ProfileRun,
    Provenance,
    SafeJump,
    SlewEvidence,
    SlewRate,
)
from hotbench.profile.walk import entries
from hotbench.profile.yaml_io import dumps, loads

QUICK = settings(max_examples=15)

names = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), max_size=20)
words = st.text(string.ascii_lowercase + "-", min_size=1, max_size=8)
celsius = st.floats(-100.0, 1000.0)
sizes = st.floats(0.0, 1e4)
shares = st.floats(0.0, 1.0)
confidences = st.floats(0.01, 0.99)
bases = st.sampled_from(["measured", "fitted", "extrapolated", "assumed", "declared"])
digests = st.text("0123456789abcdef", min_size=64, max_size=64)


@st.composite
def quantities(draw: st.DrawFn, unit: str) -> Quantity:
    low, value, high = sorted(draw(st.tuples(sizes, sizes, sizes)))
    if draw(st.booleans()):
        return Quantity(value=value, unit=unit, basis=draw(bases))
    stated = {"low": low, "high": high, "confidence": draw(confidences)}
    return Quantity(value=value, unit=unit, basis=draw(bases), **stated)


def rows(row: Callable[..., Any], unit: str, **keys: st.SearchStrategy[Any]) -> Any:
    """A table of distinct keys, its numbers in one unit."""
    one = st.builds(lambda quantity, **k: row(quantity, **k), quantities(unit), **keys)
    return st.lists(one, max_size=3, unique_by=lambda r: str(r.keys)).map(tuple)


@st.composite
def dips(draw: st.DrawFn) -> Dip:
    to_C, from_C = sorted(draw(st.tuples(st.integers(100, 200), st.integers(201, 300))))
    down, back = draw(quantities("s")), draw(quantities("s"))
    ahead = draw(st.none() | quantities("s"))
    fan = draw(shares)
    return Dip(
        from_C=from_C, to_C=to_C, fan=fan, time_down=down, time_back=back, earliest_command=ahead
    )


@st.composite
def controls(draw: st.DrawFn) -> Control:
    form, gains = draw(st.sampled_from([("ideal", "Kc Ti Td"), ("parallel", "Kp Ki Kd")]))
    return Control(
        rule=draw(names),
        form=form,
        at_temperature_C=draw(celsius),
        duty_full_scale=draw(st.sampled_from([1.0, 100.0, 127.0, 255.0])),
        gains={name: draw(quantities("1/K")) for name in gains.split()},
        phase_margin=draw(st.none() | quantities("deg")),
    )


runs = st.builds(
    ProfileRun,
    run=words,
    procedure=words,
    created=st.dates().map(str),
    sha256=st.dictionaries(words, digests, min_size=1, max_size=3),
)
profiles = st.builds(
    MachineProfile,
    machine=st.builds(Machine, name=names.filter(bool), note=names, simulated=st.booleans()),
    heater=st.none()
    | st.builds(
        Heater,
        model=names,
        parameters=st.dictionaries(names, quantities("1/s"), max_size=3),
        cooling_rate=rows(CoolingRate.of, "K/s", temperature_C=celsius, fan=shares),
        combined_lag=st.none() | quantities("s"),
    ),
    slew=rows(
        SlewRate.of,
        "K/s",
        direction=st.sampled_from(["heating", "cooling"]),
        temperature_C=celsius,
        limiting_cause=st.sampled_from(["power", "loop tracking"]),
        evidence=st.builds(SlewEvidence, trials=st.integers(5, 9), faults=st.integers(0, 5)),
    ),
    jumps=rows(SafeJump.of, "K", direction=st.just("heating"), temperature_C=celsius),
    dips=st.lists(dips(), max_size=2).map(tuple),
    melt=st.none()
    | st.builds(
        Melt,
        material=names,
        filament_diameter_mm=st.just(1.75),
        evidence_kind=st.just("delivered mass"),
        criterion=names,
        flow_limit=rows(FlowLimit.of, "mm3/s", temperature_C=celsius),
    ),
    control=st.none() | controls(),
    provenance=st.builds(
        Provenance,
        software_version=names,
        date=st.dates().map(str),
        runs=st.lists(runs, max_size=3, unique_by=lambda run: run.run).map(tuple),
    ),
)


@QUICK
@given(profiles)
def test_any_profile_survives_writing_and_reading(profile: MachineProfile) -> None:
    text = dumps(profile)
    read = loads(text)
    assert read == canonical(profile) == canonical(read)
    assert dumps(read) == text


@QUICK
@given(profiles)
def test_every_quantity_keeps_its_name_and_its_value_inside(profile: MachineProfile) -> None:
    """Rounding moves a value by 0.005 % at most, and an interval's ends outwards only."""
    before, after = entries(profile), entries(canonical(profile))
    assert [e.kind for e in before] == [e.kind for e in after]
    for old, new in zip(before, after, strict=True):
        assert new.quantity.value == pytest.approx(old.quantity.value, rel=5e-5)
        if old.quantity.low is not None and new.quantity.low is not None:
            assert new.quantity.low <= old.quantity.low * (1.0 + 1e-11)
            assert new.quantity.basis == old.quantity.basis


@QUICK
@given(profiles)
def test_no_profile_differs_from_itself(profile: MachineProfile) -> None:
    found = compare(profile, profile)
    assert found.significant == found.limits_changed == found.claims_changed == ()
    assert found.for_prints == ["nothing that the intervals do not explain"]
    assert {run.run for run in profile.provenance.runs} == set(found.shared_runs)


@QUICK
@given(profiles, profiles)
def test_any_two_profiles_compare(before: MachineProfile, after: MachineProfile) -> None:
    """What one states alone and what both state are all that either states; words on one line."""
    found = compare(before, after)
    common = {row.where for row in found.differences}
    assert common | set(found.only_before) == {e.where for e in entries(before)}
    assert common | set(found.only_after) == {e.where for e in entries(after)}
    assert all("\n" not in line for line in found.for_prints)


@QUICK
@given(profiles)
def test_any_profile_can_be_checked_and_summarised(profile: MachineProfile) -> None:
    findings = check(profile, today=date(2026, 11, 25))
    severities = [finding.severity for finding in findings]
    assert severities == sorted(severities, key=lambda severity: severity != "refuse")
    assert len(brief(findings)) <= len(findings)
    assert all(row.where in {e.where for e in entries(profile)} for row in headline(profile))


@given(st.lists(runs, min_size=1, max_size=4, unique_by=lambda run: run.run), st.data())
@QUICK
def test_any_changed_digest_is_told_of_its_run(
    stated: list[ProfileRun], data: st.DataObject
) -> None:
    provenance = Provenance(software_version="1", date="", runs=tuple(stated))
    found = {run.run: dict(run.sha256) for run in stated}
    assert disagreements(provenance, found) == []
    wrong = data.draw(st.sampled_from(stated))
    name = data.draw(st.sampled_from(sorted(wrong.sha256)))
    digest = found[wrong.run][name]
    found[wrong.run][name] = digest[::-1] if digest != digest[::-1] else "f" * 64
    changed = [f"{wrong.run}: {name} has changed since the fit"]
    expected = changed if found[wrong.run][name] != digest else []
    assert disagreements(provenance, found) == expected


@given(st.integers(1, 6), st.integers(1, 6))
def test_migrations_run_each_step_once_in_order(first: int, steps: int) -> None:
    """Any version up to the newest is lifted by the steps after it, and by no other."""
    newest = first + steps

    def step(version: int) -> Callable[[dict[str, Any]], dict[str, Any]]:
        return lambda document: {**document, "seen": [*document.get("seen", []), version]}

    chain = {version: step(version) for version in range(1, newest)}
    lifted = upgrade({"hotbench_profile": first}, migrations=chain, current=newest)
    assert lifted == {"hotbench_profile": newest, "seen": list(range(first, newest))}
    torn = {version: change for version, change in chain.items() if version != newest - 1}
    with pytest.raises(BadInput, match="no longer read"):
        upgrade({"hotbench_profile": first}, migrations=torn, current=newest)


def test_a_migration_leaves_the_old_document_alone() -> None:
    old = {"hotbench_profile": 1, "a": 1}
    upgrade(old, migrations={1: lambda document: {**document, "a": 2}}, current=2)
    assert old == {"hotbench_profile": 1, "a": 1}
