"""gridground plans temporary protective grounding on the map.

The package follows the data's way; a module imports only from what stands above it.

    errors        what can go wrong; Problem, Reason
    units         feet, AWG, kA, cycles at the edges; SI inside
    tables/       figures from standards and practice, one source per row
    job, record   what is asked, what is answered
    territory/    reading and judging the data; the network; ways out of a worksite
    jobfile       the job as a TOML or JSON file
    revision/     the field record, what was measured, what changed between two plans
    electrical/   line constants, faults, clearing times, the phasor network, approach distances
    grounding/    ground poles, leads and their size, rods, zones, the earth, the steps
    method        one method worked out; choice between the two; settle: open items
    plan          plan_job(): the whole story
    jobmap/       a plan as one self-contained page
    export        files, whole or not at all
    cli           the commands
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gridground.jobfile import read_job
    from gridground.jobmap import job_map
    from gridground.plan import plan_job
    from gridground.territory.read import read_territory

__version__ = "0.1.0"
__all__ = ["__version__", "job_map", "plan_job", "read_job", "read_territory"]

_HOME = {
    "read_territory": "gridground.territory.read",
    "read_job": "gridground.jobfile",
    "plan_job": "gridground.plan",
    "job_map": "gridground.jobmap",
}


def __getattr__(name: str) -> Any:  # noqa: ANN401  the public names, imported when asked for
    """Import a public name when it is first used: start-up stays light."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module  # noqa: PLC0415

    return getattr(import_module(_HOME[name]), name)
