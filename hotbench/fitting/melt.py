"""The melt fit: flow limits by temperature with intervals, their inverse, and what they rest on."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import stdtrit

from hotbench.core.arrays import FloatArray
from hotbench.core.errors import BadInput
from hotbench.core.quantity import Basis, Quantity
from hotbench.core.records import Extrusion, Run
from hotbench.fitting.melt_curve import GRID_K, HOTTEST_C, SAME_K, SHAPE_MISFIT, LimitCurve
from hotbench.fitting.melt_points import MeltPoints, melt_points
from hotbench.fitting.melt_solve import JOINT_TEMPERATURES, Solution, solve
from hotbench.models import melt as model

FEED_C = 30.0
"""Temperature at which filament enters the hot bore; assumed unless given."""
UNKNOWN_LOG_DEVIATION = 0.3
"""A limit known no better than a factor of 1.8 either way is reported as unidentified."""

CONTACT_SHARE = 1.35
"""How much more than the mean criterion's change of wall temperature poor wall contact can ask for:
over 120 simulated hot ends at most 1.23 times."""

HeaterFlow = Callable[[float], float]
"""Flow in mm³/s at which the heater saturates, by temperature in °C."""


@dataclass(frozen=True, slots=True)
class Unidentified:
    """A figure that the data cannot pin down, and the test that would."""

    parameter: str
    reason: str
    test: str


@dataclass(frozen=True, slots=True)
class TemperatureLimit:
    """The limit found at one measured temperature."""

    temperature_C: float
    limit: Quantity
    weighings: int
    highest_mm3_per_s: float


@dataclass(frozen=True, slots=True)
class FlowLimitRow:
    """Flow limit at a temperature; `governed_by` is 'melting' or 'heater power'."""

    temperature_C: float
    flow: Quantity
    governed_by: str
    extrapolated: bool


@dataclass(frozen=True, slots=True)
class MinimumTemperatureRow:
    """Lowest temperature that melts a flow; its interval is wide because the limit is steep."""

    flow_mm3_per_s: float
    temperature: Quantity
    extrapolated: bool


@dataclass(frozen=True, slots=True)
class EvenSurfaceRow:
    """Wall temperature that keeps the melt leaving at the reference's mean temperature.

    The interval is wide: see `MeltFit.even_surface_table`.
    """

    flow_mm3_per_s: float
    temperature: Quantity
    within_limit: bool


@dataclass(frozen=True, kw_only=True)
class MeltFit:
    """Flow limits of one hot end, nozzle and material.

    alpha_L_eff (mm³/s), softening (°C): effective figures of the declared criterion; None below
    three temperatures. validity: temperature and flow ranges tried. fits_points: data residual
    over declared noise, 1 when the declaration holds.
    """

    material: str
    filament_diameter_mm: float
    evidence: str
    criterion: model.Criterion
    limit_share: float
    feed_C: float
    confidence: float
    weighings: int
    limits: tuple[TemperatureLimit, ...]
    alpha_L_eff: Quantity | None
    softening: Quantity | None
    exponent: Quantity
    levels: tuple[Quantity, ...]
    noise: Quantity
    temperature_range_C: tuple[float, float]
    flow_range_mm3_per_s: tuple[float, float]
    unidentified: tuple[Unidentified, ...]
    excluded: Mapping[int, str]
    points: MeltPoints = field(repr=False)
    solution: Solution = field(repr=False)
    curve: LimitCurve = field(repr=False)

    @property
    def joint(self) -> bool:
        """Whether the limits are tied by the melt curve (three temperatures or more)."""
        return self.alpha_L_eff is not None

    @property
    def statement(self) -> str:
        """What counts as the limit and what it rests on, in one line."""
        loss = f"{100.0 * (1.0 - self.limit_share):.0f} % below the low-flow level"
        return f"{self.evidence} {loss}; {self.criterion} of the filament at softening"

    def flow_limit(self, temperature_C: float) -> Quantity:
        """Q95 at a temperature, mm³/s; fitted within the measured range, extrapolated outside.

        Errors: BadInput at a temperature that was not measured when there is no joint curve.
        """
        if temperature_C <= self.curve.softening_C:
            return Quantity(value=0.0, unit="mm3/s", basis="extrapolated")
        log_flow, deviation = self.curve.at(np.array([float(temperature_C)]))
        reach = self._quantile * float(deviation[0])
        basis = self._basis(temperature_C)
        return _from_log(float(log_flow[0]), reach, "mm3/s", self.confidence, basis)

    def flow_limit_table(
        self, temperatures_C: Sequence[float], heater_flow: HeaterFlow | None = None
    ) -> tuple[FlowLimitRow, ...]:
        """Rows of flow limit; a heater that saturates at less governs and is named."""
        return tuple(self._flow_row(float(at), heater_flow) for at in temperatures_C)

    def _flow_row(self, temperature_C: float, heater_flow: HeaterFlow | None) -> FlowLimitRow:
        melt = self.flow_limit(temperature_C)
        heater = heater_flow(temperature_C) if heater_flow else np.inf
        flow, cause = model.governing_flow(melt.value, heater)
        if cause != "melting":
            melt = Quantity(value=flow, unit=melt.unit, basis="fitted")
        return FlowLimitRow(temperature_C, melt, cause, self._extrapolates(temperature_C))

    def minimum_temperature(self, flow_mm3_per_s: float) -> Quantity:
        """Lowest temperature that melts a flow, °C; the inverse of the flow-limit band.

        d ln Q/dT is about 0.44 % per kelvin near 220 °C, so 5 % in flow is 11 K. Below the measured
        range the low end reaches down to softening's own interval, and to the feed temperature
        where the band never falls below the flow: nothing measured bounds it there.
        Errors: BadInput without a joint curve or where no temperature up to 450 °C is enough.
        """
        self._require_curve("minimum temperature")
        value, low, high = self.curve.inverse(float(np.log(flow_mm3_per_s)), self._quantile)
        if not np.isfinite(value):
            raise BadInput(
                "no temperature melts this flow", value=f"{flow_mm3_per_s:g} mm3/s", limit=HOTTEST_C
            )
        return Quantity(
            value=value,
            unit="°C",
            low=min(self._low_end(low), value),
            high=max(high, value) if np.isfinite(high) else HOTTEST_C,
            confidence=self.confidence,
            basis=self._basis(value),
        )

    def _low_end(self, low_C: float) -> float:
        if low_C >= self.temperature_range_C[0] or self.softening is None:
            return low_C
        if low_C <= self.curve.softening_C + GRID_K:
            return self.feed_C
        return max(min(low_C, self.softening.low or low_C), self.feed_C)

    def minimum_temperature_table(
        self, flows_mm3_per_s: Sequence[float]
    ) -> tuple[MinimumTemperatureRow, ...]:
        """Rows of minimum temperature by flow."""
        found = ((float(flow), self.minimum_temperature(flow)) for flow in flows_mm3_per_s)
        return tuple(
            MinimumTemperatureRow(flow, at, self._extrapolates(at.value)) for flow, at in found
        )

    def even_surface_table(
        self,
        flows_mm3_per_s: Sequence[float],
        *,
        reference_C: float,
        reference_mm3_per_s: float,
    ) -> tuple[EvenSurfaceRow, ...]:
        """Wall temperatures that keep the mean exit temperature of a reference print constant.

        Model figures: extrapolated. Weighings do not tell whether the centreline or the mean of the
        filament softens, nor how well it touches the wall, so the interval spans both criteria and
        CONTACT_SHARE of the change beyond them.
        """
        own = self._require_curve("even surface")
        other = fit_points(
            self.points,
            criterion="mean" if self.criterion == "centre" else "centre",
            feed_C=self.feed_C,
            confidence=self.confidence,
        ).alpha_L_eff
        known = [own.value, *_ends(own), *(_ends(other) if other else ())]

        def row(flow: float) -> EvenSurfaceRow:
            walls_C = model.constant_exit_wall_C(
                flow,
                np.array(known),
                feed_C=self.feed_C,
                reference_wall_C=reference_C,
                reference_flow_mm3_per_s=reference_mm3_per_s,
            )
            at_C = float(walls_C[0])
            beyond_C = reference_C + CONTACT_SHARE * (walls_C - reference_C)
            found = Quantity(
                value=at_C,
                unit="°C",
                low=float(min(walls_C.min(), beyond_C.min())),
                high=float(max(walls_C.max(), beyond_C.max())),
                confidence=self.confidence,
                basis="extrapolated",
            )
            return EvenSurfaceRow(flow, found, flow <= self.flow_limit(at_C).value)

        return tuple(row(float(flow)) for flow in flows_mm3_per_s)

    def ratio_at(self, temperature_C: float, flow_mm3_per_s: FloatArray) -> FloatArray:
        """Fitted level (ratio, or strength) by flow at a measured temperature."""
        place = self.curve.place_of(temperature_C)
        layout, theta = self.solution.layout, self.solution.theta
        level = np.exp(theta[place if layout.levels > 1 else 0])
        level_by_flow: FloatArray = model.delivered_ratio(
            flow_mm3_per_s,
            np.exp(theta[layout.limits][place]),
            float(np.exp(theta[layout.exponent])),
            float(level),
            self.points.evidence.log_loss,
        )
        return level_by_flow

    def _require_curve(self, what: str) -> Quantity:
        if self.alpha_L_eff is None:
            raise BadInput(
                f"{what} needs the joint curve",
                value=f"{len(self.limits)} temperatures",
                limit=f"at least {JOINT_TEMPERATURES}",
                remedy="weigh at more temperatures",
            )
        return self.alpha_L_eff

    def _extrapolates(self, temperature_C: float) -> bool:
        low, high = self.temperature_range_C
        return not low - SAME_K <= temperature_C <= high + SAME_K

    def _basis(self, temperature_C: float) -> Basis:
        return "extrapolated" if self._extrapolates(temperature_C) else "fitted"

    @property
    def _quantile(self) -> float:
        return _quantile(self.confidence, self.solution.dof)


def fit_melt(
    source: Sequence[Run] | Sequence[Extrusion],
    *,
    kind: str | None = None,
    criterion: model.Criterion = "centre",
    feed_C: float = FEED_C,
    confidence: float = 0.95,
    material: str | None = None,
    filament_diameter_mm: float | None = None,
    filament_density_g_per_cm3: float | None = None,
    section_mm2: float = 1.0,
    limit_share: float | None = None,
    exclude: Mapping[int, str] | None = None,
) -> MeltFit:
    """Fit flow limits to the extrusions of runs (or bare extrusions).

    kind: 'delivered mass', 'delivered length' or 'bond force'; None takes what was recorded.
    limit_share: what remains of the low-flow level at the limit (0.95; bond 0.8). exclude: index
    of an extrusion to the reason why it is left out. Three temperatures or more are tied by the
    melt curve; fewer give a limit per temperature and report the curve as unidentified.
    Errors: BadInput for unusable entries; too few points are reported, not raised.
    """
    points = melt_points(
        source,
        kind=kind,
        material=material,
        filament_diameter_mm=filament_diameter_mm,
        filament_density_g_per_cm3=filament_density_g_per_cm3,
        section_mm2=section_mm2,
        exclude=exclude,
        limit_share=limit_share,
    )
    return fit_points(points, criterion=criterion, feed_C=feed_C, confidence=confidence)


def fit_points(
    points: MeltPoints,
    *,
    criterion: model.Criterion = "centre",
    feed_C: float = FEED_C,
    confidence: float = 0.95,
) -> MeltFit:
    """Fit flow limits to points; see `fit_melt`."""
    _check_points(points, feed_C)
    solution = solve(points, feed_C=feed_C, criterion=criterion)
    quantile = _quantile(confidence, solution.dof)
    layout, deviation = solution.layout, np.sqrt(np.diag(solution.covariance))

    def logged(index: int, unit: str, extra: float = 0.0) -> Quantity:
        reach = quantile * float(np.hypot(deviation[index], extra))
        return _from_log(float(solution.theta[index]), reach, unit, confidence, "fitted")

    unit = "N/mm2" if points.evidence.kind == "bond force" else ""
    limits = _limits(points, lambda i: logged(layout.limits.start + i, "mm3/s", SHAPE_MISFIT))
    doubts = _doubts(points, solution)
    curve = layout.joint and not any(doubt.parameter.startswith("curve") for doubt in doubts)
    return MeltFit(
        material=points.material,
        filament_diameter_mm=points.filament_diameter_mm,
        evidence=points.evidence.kind,
        criterion=criterion,
        limit_share=points.evidence.limit_share,
        feed_C=feed_C,
        confidence=confidence,
        weighings=len(points),
        limits=limits,
        alpha_L_eff=logged(layout.alpha, "mm3/s", SHAPE_MISFIT) if curve else None,
        softening=_softening(solution, quantile, confidence) if curve else None,
        exponent=logged(layout.exponent, ""),
        levels=tuple(logged(index, unit) for index in range(layout.levels)),
        noise=Quantity(
            value=float(solution.scale * np.median(points.deviation)), unit="", basis="fitted"
        ),
        temperature_range_C=(float(points.temperature_C.min()), float(points.temperature_C.max())),
        flow_range_mm3_per_s=(
            float(points.flow_mm3_per_s.min()),
            float(points.flow_mm3_per_s.max()),
        ),
        unidentified=doubts,
        excluded=points.excluded,
        points=points,
        solution=solution,
        curve=LimitCurve(solution, points.temperatures_C, feed_C, criterion, curve),
    )


def _ends(quantity: Quantity) -> tuple[float, ...]:
    return tuple(end for end in (quantity.low, quantity.high) if end is not None)


def _check_points(points: MeltPoints, feed_C: float) -> None:
    if len(points) < 4:
        raise BadInput(
            "too few weighings for a flow limit",
            value=len(points),
            limit="at least 4",
            remedy="record more extrusions",
        )
    flows = points.flow_mm3_per_s
    if not (np.isfinite(flows) & (flows > 0.0)).all():
        raise BadInput("commanded flow must be positive", value=float(flows.min()))
    if points.temperature_C.min() < feed_C + 20.0:
        raise BadInput(
            "extruded below any softening",
            value=f"{points.temperature_C.min():g} °C",
            limit=f"{feed_C + 20.0:g} °C",
        )


def _limits(points: MeltPoints, limit: Callable[[int], Quantity]) -> tuple[TemperatureLimit, ...]:
    place = points.place()
    return tuple(
        TemperatureLimit(
            float(at),
            limit(i),
            int((place == i).sum()),
            float(points.flow_mm3_per_s[place == i].max()),
        )
        for i, at in enumerate(points.temperatures_C)
    )


def _softening(solution: Solution, quantile: float, confidence: float) -> Quantity:
    index = solution.layout.alpha + 1
    value = float(solution.theta[index])
    reach = quantile * float(np.sqrt(solution.covariance[index, index]))
    return Quantity(
        value=value,
        unit="°C",
        low=value - reach,
        high=value + reach,
        confidence=confidence,
        basis="fitted",
    )


def _doubts(points: MeltPoints, solution: Solution) -> tuple[Unidentified, ...]:
    """What these points do not tell, with the test that would."""
    found = []
    deviation = np.sqrt(np.diag(solution.covariance))[solution.layout.limits]
    place = points.place()
    for i, at in enumerate(points.temperatures_C):
        if deviation[i] > UNKNOWN_LOG_DEVIATION:
            fastest = float(points.flow_mm3_per_s[place == i].max())
            reason = f"no loss seen up to {fastest:.3g} mm3/s"
            test = f"extrude at {at:g} °C faster than {fastest:.3g} mm3/s until 7 % is missing"
            found.append(Unidentified(f"flow limit at {at:g} °C", reason, test))
    if not solution.layout.joint:
        known = ", ".join(f"{at:g}" for at in points.temperatures_C)
        test = f"weigh at {JOINT_TEMPERATURES} temperatures at least 15 K apart"
        found.append(
            Unidentified("alpha_L_eff and softening temperature", f"only {known} °C", test)
        )
    elif len(found) > points.temperatures_C.size - JOINT_TEMPERATURES:
        reason = "fewer than three temperatures show a limit"
        found.append(Unidentified("curve of flow limit", reason, found[0].test))
    return tuple(found)


def _quantile(confidence: float, dof: float) -> float:
    return float(np.asarray(stdtrit(dof, 0.5 + confidence / 2.0)))


def _from_log(
    log_value: float, reach: float, unit: str, confidence: float, basis: Basis
) -> Quantity:
    # Beyond e^50 an interval says nothing; the bound only keeps the number finite.
    reach = min(reach, 50.0)
    return Quantity(
        value=float(np.exp(log_value)),
        unit=unit,
        low=float(np.exp(log_value - reach)),
        high=float(np.exp(log_value + reach)),
        confidence=confidence,
        basis=basis,
    )


def compare_fits(fits: Mapping[str, MeltFit], temperatures_C: Sequence[float]) -> list[list[str]]:
    """Flow limits of several hot ends or materials side by side, one row per temperature."""
    return [
        [f"{at:g} °C", *(fit.flow_limit(at).text() for fit in fits.values())]
        for at in temperatures_C
    ]


def without_points(fit: MeltFit, reasons: Mapping[int, str]) -> MeltFit:
    """The fit again without some points (index within the fit's points to the reason)."""
    keep = np.setdiff1d(np.arange(len(fit.points)), list(reasons))
    points = fit.points
    fewer = replace(
        points,
        temperature_C=points.temperature_C[keep],
        flow_mm3_per_s=points.flow_mm3_per_s[keep],
        level=points.level[keep],
        deviation=points.deviation[keep],
        excluded={**points.excluded, **reasons},
    )
    return fit_points(fewer, criterion=fit.criterion, feed_C=fit.feed_C, confidence=fit.confidence)
