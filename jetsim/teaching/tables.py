"""Tables of a set-up's results over its controls, and how they are read: the page's script reads them alike.

Everything between nodes is interpolated, by cubics through four neighbouring nodes; nothing is computed again.
"""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

ENDS = (0.05, 0.95)
STENCIL = 4
LANDING = "deciding_landing"
LENGTHS = ("breakup_distance", LANDING, "extreme_reach", "apex_height")
EFFECTIVE, BEST = "effective_reach", "effective_reach_at_best"
FLAT = ("flow_rate", "reaction_force", "handbook_force")
# An effective reach under this share of the extreme reach is not told: no good stream is left there.
TOLD = 0.25


@dataclass(frozen=True, eq=False)
class Axis:
    """Nodes of a control, in stretches at whose ends the results may bend.

    Attributes
    ----------
    nodes : ndarray, shape (n,)
        Rising, SI.
    bends : tuple of int
        Nodes at which a stretch ends and the next one begins.
    log : bool
        Whether cubics run along the logarithm.
    """

    nodes: Array
    bends: tuple[int, ...] = ()
    log: bool = False

    @cached_property
    def scale(self) -> Array:
        """Nodes as the cubics see them."""
        return np.log(self.nodes) if self.log else self.nodes

    @cached_property
    def stencils(self) -> NDArray[np.int_]:
        """First node and number of nodes of the cubic of each interval; shape (n - 1, 2)."""
        edges = (0, *self.bends, self.nodes.size - 1)
        found = []
        for first, last in itertools.pairwise(edges):
            count = min(STENCIL, last - first + 1)
            found += [(int(np.clip(k - 1, first, last + 1 - count)), count) for k in range(first, last)]
        return np.array(found)

    def weights(self, at: ArrayLike) -> Array:
        """Weight of each node at given values, which are held within the ends; shape (..., n)."""
        held = np.clip(np.asarray(at, dtype=float), self.nodes[0], self.nodes[-1])
        x = np.log(held) if self.log else held
        interval = np.clip(np.searchsorted(self.nodes, held, side="right") - 1, 0, self.nodes.size - 2)
        weights = np.zeros((*x.shape, self.nodes.size))
        for place in np.ndindex(x.shape):
            first, count = self.stencils[interval[place]]
            own = self.scale[first : first + count]
            weights[(*place, slice(first, first + count))] = [
                np.prod([(x[place] - o) / (node - o) for o in own if o != node]) for node in own
            ]
        return weights


def axis(points: Sequence[float], step: float, bends: Sequence[float] = (), log: bool = False, least: int = 1) -> Axis:
    """Nodes that hold all `points`, evenly spaced between them by at most `step` (or by that ratio, for `log`).

    Parameters
    ----------
    points : sequence of float
    step : float
    bends : sequence of float, optional
        Those of the points at which results bend.
    log : bool, optional
    least : int, optional
        Intervals between two points at the least.
    """
    held = sorted(set(points))
    nodes = [held[0]]
    for low, high in itertools.pairwise(held):
        span = np.log(high / low) / np.log(step) if log else (high - low) / step
        count = max(least, int(np.ceil(span - 1e-9)))
        nodes += [*(np.geomspace if log else np.linspace)(low, high, count + 1)[1:-1].tolist(), high]
    return Axis(np.array(nodes), tuple(nodes.index(bend) for bend in sorted(bends)), log)


@dataclass(frozen=True, eq=False)
class Setting:
    """Where the controls stand for one set-up, SI.

    Attributes
    ----------
    pressure : float
        At the pump, or at the nozzle of a set-up without a line [Pa].
    elevation, wind : float
        [deg], [m/s]
    length : float
        Of the last section [m].
    floor : float
        Above the height as laid.
    kinked : bool
    """

    pressure: float
    elevation: float
    wind: float
    length: float = 0.0
    floor: float = 0.0
    kinked: bool = False


@dataclass(frozen=True, eq=False)
class Supply:
    """Pump pressure that each nozzle pressure needs, case by case: straight in length and floor.

    Attributes
    ----------
    base, longer, kinks : ndarray, shape (cases, pressures)
        At the shortest length on the floor as laid [Pa]; more for each metre [Pa/m]; more for the kinks [Pa].
    higher : ndarray, shape (cases,)
        More for each floor [Pa].
    shortest : float
        [m]
    """

    base: Array
    longer: Array
    kinks: Array
    higher: Array
    shortest: float

    def needed(self, setting: Setting) -> Array:
        """Pump pressure at each node of nozzle pressure; shape (cases, pressures)."""
        more = self.longer * (setting.length - self.shortest) + (self.kinks if setting.kinked else 0.0)
        return np.asarray(self.base + more + self.higher[:, np.newaxis] * setting.floor)


@dataclass(frozen=True, eq=False)
class Tables:
    """All tables of a set-up with its nozzle as it stands. Case 0 has everything at its median; the draws follow.

    Attributes
    ----------
    pressure, elevation, wind : Axis
        Of the middle, and of what does not fly.
    coarse : tuple of Axis
        The same three of the draws' departures from the middle.
    supply : Supply or None
        None without a line.
    flat : mapping of str to ndarray, shape (cases, pressures)
        `FLAT` by nozzle pressure.
    excess : ndarray, shape (cases,)
        Measured force over the formula, less 1.
    middle : mapping of str to ndarray
        `LENGTHS`, shape (pressures, elevations, winds), and `BEST`, shape (pressures, winds) [m].
    departures : mapping of str to ndarray
        The same with the draws in front, on the coarse axes: draw less middle, over the extreme reach of the middle at
        the site's elevation in still air and the same pressure.
    site : float
        Elevation of the site [deg].
    flags : ndarray of int
        `validity` of the middle, shape (pressures, elevations, winds).
    path : ndarray, shape (2, stations, pressures, elevations, winds)
        The middle's path on the coarse axes: distance over extreme reach, height above ground [m].
    """

    pressure: Axis
    elevation: Axis
    wind: Axis
    coarse: tuple[Axis, Axis, Axis]
    supply: Supply | None
    flat: Mapping[str, Array]
    excess: Array
    middle: Mapping[str, Array]
    departures: Mapping[str, Array]
    site: float
    flags: NDArray[np.int16]
    path: Array

    def nozzle_pressure(self, setting: Setting) -> Array:
        """At the nozzle, case by case; beyond the tables' ends, their ends [Pa]."""
        if self.supply is None:
            return np.full(self.excess.size, setting.pressure)
        nodes = self.pressure.nodes
        return np.array([np.interp(setting.pressure, row, nodes) for row in self.supply.needed(setting)])

    def read(self, setting: Setting) -> dict[str, Array]:
        """Every result at a setting, case by case; shape (cases,), SI."""
        pressure = self.nozzle_pressure(setting)
        fine = self.pressure.weights(pressure)
        along = (self.elevation.weights(setting.elevation), self.wind.weights(setting.wind))
        found = {name: np.einsum("cp,cp->c", fine, table) for name, table in self.flat.items()}
        found["nozzle_pressure"] = pressure
        unit = fine @ self._column("extreme_reach", (self.elevation.weights(self.site), self.wind.weights(0.0)))
        rough = self.coarse[0].weights(pressure[1:])
        about = (self.coarse[1].weights(setting.elevation), self.coarse[2].weights(setting.wind))
        for name, table in self.departures.items():
            by_pressure = table @ about[1] if name == BEST else np.einsum("dpew,e,w->dp", table, *about)
            off = np.einsum("dp,dp->d", rough, by_pressure)
            found[name] = fine @ self._column(name, along)
            found[name][1:] += unit[1:] * off
        found[EFFECTIVE] = np.clip(found.pop(LANDING), 0.0, found["extreme_reach"])
        return found

    def _column(self, name: str, along: tuple[Array, Array]) -> Array:
        """A length of the middle by pressure, the other controls held."""
        table = self.middle[name]
        return np.einsum("pew,e,w->p", table, *along) if table.ndim == 3 else table @ along[1]


def ends_of(values: Array) -> tuple[float, float]:
    """Nine in ten of the draws of one result; shape (cases,)."""
    low, high = np.quantile(values[1:], ENDS)
    return float(low), float(high)
