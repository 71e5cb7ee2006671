"""Simulate fire-stream water jets and rank what controls their reach and flow.

>>> from jetsim import Stream, simulate
>>> result = simulate(Stream(tip_diameter=0.0254, nozzle_pressure=345e3))
"""

from jetsim.simulation import simulate
from jetsim.stream import Stream

__all__ = ["Stream", "simulate"]
