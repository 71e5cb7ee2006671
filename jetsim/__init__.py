"""Simulate fire-stream water jets and rank what controls their reach and flow.

>>> from jetsim import Stream, simulate
>>> result = simulate(Stream(tip_diameter=0.0254, nozzle_pressure=345e3))
"""

from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from jetsim.jet.breakup import register_breakup_model
from jetsim.jet.laws import register_law
from jetsim.simulation import StreamModel, register_output, simulate
from jetsim.stream import Stream

try:
    __version__ = version("jetsim")
except PackageNotFoundError:  # run from a checkout that was not installed
    __version__ = "0+unknown"

# Loaded when they are asked for: whoever only flies a stream does not wait for estimators.
_LATER = {
    "ParameterSpace": "jetsim.experiment.space",
    "evaluate": "jetsim.experiment.ensemble",
    "grid_design": "jetsim.experiment.ensemble",
    "indices_by_replicate": "jetsim.experiment.replicates",
    "plain_design": "jetsim.experiment.ensemble",
    "rank": "jetsim.experiment.ranking",
    "sobol_design": "jetsim.experiment.ensemble",
    "sobol_indices": "jetsim.experiment.sensitivity",
}
__all__ = [  # the lazy names are not defined here
    "Stream",
    "StreamModel",
    "register_breakup_model",
    "register_law",
    "register_output",
    "simulate",
    *_LATER,
]


def __getattr__(name: str) -> Any:
    if name not in _LATER:
        raise AttributeError(f"module 'jetsim' has no attribute {name!r}")
    return getattr(import_module(_LATER[name]), name)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
