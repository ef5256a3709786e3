"""From run folders to fits: which runs serve which model, and what cannot be told."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from hotbench.bench.claims import claim_tables, jumps_of, repetition_of
from hotbench.bench.melting import NamedMelt, fit_each
from hotbench.bench.melting import tables as flow_tables
from hotbench.bench.plain import plain
from hotbench.bench.predicting import heater_flow, rate_caps
from hotbench.bench.progress import Step, silent
from hotbench.bench.results import lines_table
from hotbench.bench.tables import Table, number, quantity_cells
from hotbench.core.errors import BadInput, FellShort, HotbenchError
from hotbench.core.records import Run
from hotbench.fitting.heater import fit_heater
from hotbench.fitting.heater_load import with_load
from hotbench.fitting.heater_result import HeaterFit
from hotbench.fitting.jumps import JumpFit
from hotbench.fitting.melt import MeltFit
from hotbench.fitting.ramps import trials_of
from hotbench.fitting.repetition import RepetitionFit
from hotbench.fitting.slew import SlewFit, fit_slew
from hotbench.models.heater import plain_name
from hotbench.procedures.options import MOST_SPREAD
from hotbench.store.reader import read_run

Fit = TypeVar("Fit")
LADDERS = frozenset({"ramp", "jump", "repeat"})
"""Procedures whose ramps, jumps and dips tell what the controller tolerates."""
NOT_FOR_HEATER = LADDERS | {"verify", "relay", "extrude"}
"""Runs that judge the controller, or whose filament draws heat that the heater model has no
number for before its balance: fitted, or held out to choose the model, they mislead."""
NONE_TO_FIT = "they only judge the controller; record step"
NEXT = "next best test"
QUANTITY_HEADS = ("quantity", "value", "95 % interval", "unit", "basis")
NUMERIC = frozenset({1, 2})


@dataclass(frozen=True, kw_only=True)
class FitOptions:
    """What the user states beside the runs; None where nothing is stated."""

    ambient_C: float | None = None
    fault_deviation_K: float | None = None
    fault_spread: float | None = None
    power_W: float | None = None

    def __post_init__(self) -> None:
        for name in ("fault_deviation_K", "power_W"):
            value = getattr(self, name)
            if value is not None and not value > 0.0:
                raise BadInput("must be positive", where=name, value=value)
        if self.fault_spread is not None and not 0.0 <= self.fault_spread <= MOST_SPREAD:
            limit = f"0 to {MOST_SPREAD:g}"
            raise BadInput(
                "out of range", where="fault_spread", value=self.fault_spread, limit=limit
            )

    def plain(self) -> dict[str, float | None]:
        """The options as the profile's provenance states them."""
        return {
            "ambient_C": self.ambient_C,
            "fault_deviation_K": self.fault_deviation_K,
            "fault_spread": self.fault_spread,
            "power_W": self.power_W,
        }


@dataclass(frozen=True)
class Gap:
    """Something the runs could not tell, why, and the test that would."""

    what: str
    why: str
    test: str


@dataclass(frozen=True, kw_only=True)
class Analysis:
    """Fits of a set of runs; a fit is None where no run serves it, and gaps say what is missing."""

    runs: tuple[Run, ...]
    options: FitOptions
    heater: HeaterFit | None
    slew: SlewFit | None
    melt: MeltFit | None
    jumps: tuple[JumpFit, ...] = ()
    repetition: RepetitionFit | None = None
    gaps: tuple[Gap, ...] = field(default=())
    melts: tuple[NamedMelt, ...] = ()

    @property
    def ladders(self) -> tuple[Run, ...]:
        """Runs of ramps, jumps and repetitions."""
        return tuple(run for run in self.runs if run.info.procedure in LADDERS)

    def plain(self) -> dict[str, Any]:
        """What FIT.yaml holds."""
        facts = {
            "runs": {run.info.run_id: dict(run.sha256) for run in self.runs},
            "options": self.options.plain(),
            "heater": self.heater.to_plain() if self.heater else None,
            "slew": _slew_plain(self.slew) if self.slew else None,
            "jumps": self.jumps,
            "repetition": self.repetition,
            "melt": _melt_plain(self.melt) if self.melt else None,
            "other_melts": [_named_plain(named) for named in self.melts[1:]],
            "unidentified": self.gaps,
        }
        return dict(plain(facts))

    def tables(self) -> tuple[Table, ...]:
        """The fits for people."""
        shown = heater_tables(self.heater) if self.heater else []
        shown += slew_tables(self.slew) if self.slew else []
        shown += claim_tables(self.jumps, self.repetition)
        shown += melt_tables(self.melt) if self.melt else []
        shown += flow_tables(self.melts, heater_flow(self.heater) if self.heater else None)
        return (*shown, *gap_tables(self.gaps))

    def raise_if_nothing_identified(self) -> None:
        """FellShort when no model could be fitted."""
        if not (self.heater or self.slew or self.melt or self.jumps or self.repetition):
            reasons = "; ".join(f"{g.what}: {g.why}; {g.test}" for g in self.gaps) or NONE_TO_FIT
            raise FellShort(f"nothing could be identified from these runs: {reasons}")


def analyse(
    folders: Sequence[Path], options: FitOptions | None = None, progress: Step = silent
) -> Analysis:
    """Read the folders and fit what they can carry. Errors: BadInput for unusable folders."""
    progress(0.0, "reading runs")
    return analyse_runs([read_run(folder) for folder in folders], options, progress)


def analyse_runs(
    runs: Sequence[Run], options: FitOptions | None = None, progress: Step = silent
) -> Analysis:
    """Fit what the runs can carry; what a model refuses becomes a gap.

    The board's fault level is what `options` state, or else what the runs were recorded with.
    """
    _check_names(runs)
    stated = options or FitOptions()
    options, gaps = declared(runs, stated), list(_differing(runs, stated))
    heater = _attempt("heater", gaps, lambda: _heater(runs, options, progress))
    progress(0.9, "slew")
    slew = _attempt("slew", gaps, lambda: _slew(runs, options, heater))
    progress(0.95, "melt")
    melts = fit_each(runs, lambda what, error: gaps.append(_refused(what, error)))
    progress(1.0, "fitted")
    return Analysis(
        runs=tuple(runs),
        options=options,
        heater=heater,
        slew=slew,
        melt=melts[0].fit if melts else None,
        melts=melts,
        jumps=jumps_of(runs, options.fault_deviation_K, options.fault_spread),
        repetition=repetition_of(runs, options.fault_deviation_K, options.fault_spread),
        gaps=(*gaps, *_gaps(heater, slew, melts)),
    )


def declared(runs: Sequence[Run], options: FitOptions) -> FitOptions:
    """The options with what was declared of the board's fault level when its runs were recorded.

    What `options` state wins. Of several declarations the lowest level and the widest spread
    count: the claim then holds for each. Errors: BadInput for a run whose settings hold no number.
    """
    own = [run for run in runs if run.info.procedure in LADDERS]
    level_K, spread = options.fault_deviation_K, options.fault_spread
    if level_K is None:
        level_K = min(_declared(own, "fault_deviation_K"), default=None)
    if spread is None:
        spread = max(_declared(own, "fault_spread"), default=None)
    return replace(options, fault_deviation_K=level_K, fault_spread=spread)


def _differing(runs: Sequence[Run], options: FitOptions) -> Iterator[Gap]:
    """Runs of one fit that were recorded with different fault levels, none being stated now."""
    own = [run for run in runs if run.info.procedure in LADDERS]
    levels_K = sorted(set(_declared(own, "fault_deviation_K")))
    if options.fault_deviation_K is None and len(levels_K) > 1:
        said = " and ".join(f"{level_K:g}" for level_K in (levels_K[0], levels_K[-1]))
        why = f"runs were recorded with {said} K; the lowest counts"
        yield Gap("one fault level", why, "state it, --fault-deviation, or fit them apart")


def _declared(runs: Sequence[Run], name: str) -> list[float]:
    """What the runs' settings say of one declaration, those without it left out."""
    found = [(run, run.info.settings.get(name)) for run in runs]
    for run, value in found:
        known = isinstance(value, int | float) and math.isfinite(value) and value >= 0.0
        if not (value is None or known):
            raise BadInput(f"setting '{name}' is no number", where=run.info.run_id, value=value)
    return [float(value) for _, value in found if value is not None]


def _check_names(runs: Sequence[Run]) -> None:
    seen: set[str] = set()
    for run in runs:
        if run.info.run_id in seen:
            raise BadInput(
                "two runs have the same name",
                value=run.info.run_id,
                remedy="rename a folder's run, or leave one out",
            )
        seen.add(run.info.run_id)


def _attempt(what: str, gaps: list[Gap], fit: Callable[[], Fit | None]) -> Fit | None:
    try:
        return fit()
    except (BadInput, FellShort) as error:
        gaps.append(_refused(what, error))
        return None


def _refused(what: str, error: HotbenchError) -> Gap:
    """An error as a gap: what follows the last semicolon of such a line is the remedy."""
    why, _, test = str(error).rpartition("; ")
    return Gap(what, why, test) if why else Gap(what, test, "-")


def _heater(runs: Sequence[Run], options: FitOptions, progress: Step) -> HeaterFit | None:
    own = [run for run in runs if run.info.procedure not in NOT_FOR_HEATER]
    if not own:
        return None
    fit = fit_heater(
        own,
        ambient_C=options.ambient_C,
        power_W=options.power_W,
        progress=lambda text, share: progress(0.05 + 0.8 * share, text),
    )
    _check_told(fit)
    return with_load(fit, [run for run in runs if run.info.procedure == "extrude"])


def _check_told(fit: HeaterFit) -> None:
    """FellShort for runs that tell neither heating nor loss: what is left would be assumed."""
    missing = {item.name: item for item in fit.unidentified}
    if {"heating", "loss"} <= missing.keys():
        told = (missing["heating"], missing["loss"])
        reasons = "; ".join(f"{item.name}: {item.reason}" for item in told)
        raise FellShort(f"{reasons}; {told[0].remedy}")


def _slew(runs: Sequence[Run], options: FitOptions, heater: HeaterFit | None) -> SlewFit | None:
    trials = trials_of([run for run in runs if run.info.procedure in LADDERS])
    if not trials:
        return None
    caps = rate_caps(heater, trials) if heater else {}
    return fit_slew(trials, options.fault_deviation_K, fault_spread=options.fault_spread, caps=caps)


def _gaps(heater: HeaterFit | None, slew: SlewFit | None, melts: Sequence[NamedMelt]) -> list[Gap]:
    found = [Gap(g.name, g.reason, g.remedy) for g in heater.unidentified] if heater else []
    found += (
        [Gap(what, "no rate can be claimed", test) for what, test in slew.unidentified]
        if slew
        else []
    )
    found += [Gap(g.parameter, g.reason, g.test) for m in melts for g in m.fit.unidentified]
    return found


def gap_tables(gaps: Sequence[Gap]) -> list[Table]:
    """What the runs could not tell; nothing where they told everything."""
    rows = tuple((plain_name(gap.what), gap.why, gap.test) for gap in gaps)
    return [Table("not identified", ("what", "why", "what would tell"), rows)] if rows else []


def heater_tables(fit: HeaterFit) -> list[Table]:
    """Parameters, rates, candidates, held-out errors and the next best test."""
    parameters = tuple((name, *quantity_cells(q)) for name, q in fit.parameters.items())
    figures = (*fit.heating_rate, *fit.cooling_rate, *fit.hold_duty)
    rates = [(row.figure.label, *quantity_cells(row.quantity)) for row in figures]
    rates.append(("sensor lag and dead time", *quantity_cells(fit.combined_lag)))
    shown = [
        Table(f"heater model: {fit.title}", QUANTITY_HEADS, parameters, NUMERIC),
        Table("heater figures", QUANTITY_HEADS, tuple(rates), NUMERIC),
        _candidates(fit),
    ]
    if fit.validation:
        shown.append(_held_out(fit))
    return [*shown, *next_test_tables(fit)]


def next_test_tables(fit: HeaterFit) -> list[Table]:
    """What to record next, where another run would narrow an interval."""
    rows = tuple(
        (t.command, t.shrinks, f"±{number(t.from_percent, 2)} % to ±{number(t.to_percent, 2)} %")
        for t in fit.next_tests
    )
    return [Table(NEXT, ("hotbench", "shrinks", "interval"), rows)] if rows else []


def _candidates(fit: HeaterFit) -> Table:
    heads = ("model", "parameters", "RMS / K", "held-out RMS / K", "BIC, effective", "")
    rows = tuple(
        (
            c.model,
            str(c.parameters),
            number(c.rms_K),
            number(c.held_out_rms_K) if c.held_out_rms_K == c.held_out_rms_K else "-",
            number(c.bic),
            "chosen" if c.chosen else "",
        )
        for c in fit.candidates
    )
    return Table("models tried", heads, rows, frozenset({1, 2, 3, 4}))


def _held_out(fit: HeaterFit) -> Table:
    heads = ("run", "phase the fit has not seen", "RMS / K", "worst / K", "RMS of range / %")
    rows = tuple(
        (v.run_id, v.phase, number(v.rms_K), number(v.worst_K), number(v.error_percent, 2))
        for v in fit.validation
    )
    return Table("held-out validation", heads, rows, frozenset({2, 3, 4}))


def slew_tables(fit: SlewFit) -> list[Table]:
    """Safe rates by direction."""
    heads = ("direction", "safe rate / K/s", "limited by", "ramps", "faults", "confirmed")
    rows = tuple(
        (
            d.direction,
            number(d.rate.value) if d.rate else "unidentified",
            d.cause or "-",
            str(d.trials),
            str(d.faults),
            "yes" if d.confirmed else "no",
        )
        for d in fit.directions
    )
    said = dict.fromkeys(text for d in fit.directions for text in d.assumptions)
    return [
        Table(_slew_caption(fit), heads, rows, frozenset({1, 3, 4})),
        *lines_table("what the safe rates rest on", "assumption", list(said)),
    ]


def _slew_caption(fit: SlewFit) -> str:
    claims = {(d.coverage, d.confidence) for d in fit.directions if d.rate}
    said = [f"{100.0 * of:g} % of ramps clear, at {100.0 * at:g} % confidence" for of, at in claims]
    return ": ".join(["safe slew rate", *said[:1]])


def melt_tables(fit: MeltFit) -> list[Table]:
    """Flow limits found, and the joint figures."""
    rows = [
        (f"flow limit at {item.temperature_C:g} °C", *quantity_cells(item.limit))
        for item in fit.limits
    ]
    if fit.alpha_L_eff is not None:
        rows.append(("diffusivity times heated length", *quantity_cells(fit.alpha_L_eff)))
    if fit.softening is not None:
        rows.append(("softening temperature", *quantity_cells(fit.softening)))
    rows.append(("weighing noise", *quantity_cells(fit.noise)))
    return [Table(f"melt: {fit.statement}", QUANTITY_HEADS, tuple(rows), NUMERIC)]


def _slew_plain(fit: SlewFit) -> dict[str, Any]:
    return {
        "fault_deviation_K": fit.fault_deviation_K,
        "directions": [_direction_plain(d) for d in fit.directions],
        "trials": fit.trials,
    }


def _direction_plain(fit: Any) -> dict[str, Any]:
    skipped = {"curve"}
    return {name: getattr(fit, name) for name in fit.__dataclass_fields__ if name not in skipped}


def _named_plain(named: NamedMelt) -> dict[str, Any]:
    return {"hot_end": named.hot_end, "nozzle": named.nozzle, **_melt_plain(named.fit)}


def _melt_plain(fit: MeltFit) -> dict[str, Any]:
    skipped = {"points", "solution"}
    return {name: getattr(fit, name) for name in fit.__dataclass_fields__ if name not in skipped}
