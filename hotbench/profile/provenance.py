"""Provenance of a profile: built from its runs, and verified against them."""

from collections.abc import Mapping, Sequence

from hotbench.core.records import Run
from hotbench.profile.types import ProfileRun, Provenance

Option = bool | int | float | str | None


def provenance(
    runs: Sequence[Run], *, software_version: str, options: Mapping[str, Option] | None = None
) -> Provenance:
    """Provenance of figures that rest on `runs`, in the order of their creation.

    The date is the newest run's, so that the same runs give the same profile on any day.
    """
    ordered = sorted(runs, key=lambda run: (run.info.created, run.info.run_id))
    return Provenance(
        software_version=software_version,
        date=ordered[-1].info.created if ordered else "",
        options=dict(sorted((options or {}).items())),
        runs=tuple(_stated(run) for run in ordered),
    )


def disagreements(stated: Provenance, found: Mapping[str, Mapping[str, str]]) -> list[str]:
    """One line for each run that is missing or whose files are not those that the profile states.

    found: sha256 by file name, by run id, as they are on disk now.
    """
    return [line for run in stated.runs for line in _run_disagreements(run, found.get(run.run))]


def _stated(run: Run) -> ProfileRun:
    return ProfileRun(
        run=run.info.run_id,
        procedure=run.info.procedure,
        created=run.info.created,
        outcome=run.outcome,
        simulated=run.info.simulated,
        sha256=dict(sorted(run.sha256.items())),
    )


def _run_disagreements(run: ProfileRun, found: Mapping[str, str] | None) -> list[str]:
    if found is None:
        return [f"{run.run}: run folder is missing"]
    missing = [f"{run.run}: {name} is missing" for name in run.sha256 if name not in found]
    common = [name for name in run.sha256 if name in found]
    changed = [name for name in common if found[name] != run.sha256[name]]
    unnamed = sorted(name for name in found if name not in run.sha256)
    return [
        *missing,
        *(f"{run.run}: {name} has changed since the fit" for name in changed),
        *(f"{run.run}: {name} has no digest in the profile" for name in unnamed),
    ]
