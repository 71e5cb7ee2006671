"""Simulation of streams: from the fields of a `Stream` to a labelled dataset of results.

Cases are computed in chunks that fit the processor's cache, on several threads (numpy releases the lock),
so memory stays flat however many cases there are and results do not depend on the number of threads.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim import media
from jetsim.errors import InputError
from jetsim.flags import OUTCOMES, flag_attributes, validity
from jetsim.flags import VALIDITY as VALIDITY
from jetsim.hydraulics import nozzle
from jetsim.jet.breakup import breakup_length_over_diameter
from jetsim.jet.core import Flight, Launch
from jetsim.jet.delivery import (
    Thrown,
    deciding_landing,
    delivered_fraction,
    effective_reach_at_best,
    reach_criterion,
)
from jetsim.jet.drag import DragLaw, FlightConstants, Jet
from jetsim.jet.laws import law_named
from jetsim.jet.laws.law import Law
from jetsim.jet.trajectory import trace
from jetsim.jet.turbulence import Valve, valve_factor
from jetsim.kept import name_of
from jetsim.processors import processors
from jetsim.quantities import Quantity, quantity, register_quantity
from jetsim.stream import Stream, group, labelled

Array = NDArray[np.float64]
Values = Mapping[str, NDArray[Any]]

# Cases of one piece of work: long enough for threads not to wait for each other. The number of pieces is even, for two
# threads to share, and does not depend on the threads there are.
CHUNK, LEAST_CHUNK = 32_768, 4096
STATIONS = 121


def simulate(stream: Stream, path: bool = False, workers: int | None = None) -> xr.Dataset:
    """Simulate a stream, or each of its cases.

    Parameters
    ----------
    stream : Stream
    path : bool, optional
        Also return the flown path at 121 stations evenly spaced in time (dimension ``station``).
    workers : int, optional
        Threads; as many as there are processors by default. Results do not depend on it.

    Returns
    -------
    xarray.Dataset
        SI, with ``units`` and ``long_name`` on each variable: `flow_rate`, `exit_speed`, `reaction_force`,
        `exit_turbulence_intensity`, `weber_number`, `breakup_length`, `breakup_distance`, `extreme_reach`,
        `lateral_drift`, `apex_height`, `apex_distance`, `flight_time`, `effective_reach` (its criterion is named in
        its attributes; NaN under drag laws without spray), `outcome` and `validity`; `delivered_fraction` where the
        stream names a `delivery_distance`, and its `further_results`. The fields of the stream stand beside them as
        coordinates. Scalars give 0-d results. Nothing is clamped: `extreme_reach` is NaN where `outcome` says that the
        stream never reaches the target height or that the drag law cannot follow it to its end, and `validity` flags
        every case outside the range of a fit.

    Examples
    --------
    >>> result = simulate(Stream(tip_diameter=0.0254, nozzle_pressure=345e3))
    >>> round(float(result.exit_speed), 2)
    25.62
    """
    given = stream.values()
    template, columns = _columns(given)
    size = int(np.prod(list(template.sizes.values()), dtype=int))
    chunk = max(LEAST_CHUNK, math.ceil(size / (2 * math.ceil(size / (2 * CHUNK))))) if size else 1
    starts = range(0, size, chunk)
    names = _names(stream, path)
    results = _allocate(size, names)

    def run(start: int) -> None:
        part = slice(start, min(start + chunk, size))
        for name, value in _simulate_mixed(columns(part), names).items():
            results[name][..., part] = value

    _for_each(run, starts, workers)
    data = _dataset(results, template).assign_coords(_inputs(given, template))
    criteria = sorted(set(np.ravel(np.asarray(stream.reach_criterion)).astype(str)))
    data["effective_reach"].attrs["criterion"] = "; ".join(
        f"{name}: {reach_criterion(name).words}" for name in criteria
    )
    return data


class Flown(NamedTuple):
    """What a further result may use, of cases that share their laws.

    Attributes
    ----------
    fields, results : mapping of str to ndarray, shape (n,)
        Fields of the stream and results so far; SI.
    thrown : Thrown
        The stream as it was thrown.
    """

    fields: Values
    results: Values
    thrown: Thrown


_FURTHER: dict[str, Callable[[Flown], Array]] = {
    "effective_reach_at_best": lambda flown: effective_reach_at_best(flown.thrown),
    "deciding_landing": lambda flown: deciding_landing(flown.thrown),
}

# Results that count drops, whatever the criterion of effective reach.
_BY_DROPS = ("delivered_fraction", *_FURTHER)


def register_output(what: Quantity, function: Callable[[Flown], Array]) -> None:
    """Add a result that streams may ask for (`Stream.further_results`) and studies may rank.

    Parameters
    ----------
    what : Quantity
        With role ``"output"``.
    function : callable
        From what was flown to an array of shape (n,), SI.

    Raises
    ------
    InputError
        The name is taken, or the quantity is no output.
    """
    if what.role != "output":
        raise InputError(f"quantity {what.name!r}: its role must be 'output'")
    register_quantity(what)
    _FURTHER[what.name] = function


def leaving(columns: Mapping[str, Any]) -> dict[str, Array]:
    """What leaves the tip, without a flight: flow, speed, reaction, turbulence and breakup length.

    Parameters
    ----------
    columns : mapping
        All fields of a stream and its dotted constants (`Stream.values`), SI: numbers, texts, and arrays that
        broadcast against each other. One set of laws.

    Returns
    -------
    dict of result to ndarray
    """
    names = {name: str(columns[name]) for name in ("pressure_tap", *_LAWS)}
    exit_ = _exit(columns, names)
    return exit_ | _breakup(columns, names, exit_)


class Start(NamedTuple):
    """What flies and how it starts, flat arrays of cases: for `jetsim.jet.delivery`."""

    jet: Jet
    launch: Launch
    constants: FlightConstants
    flow_rate: Array
    law: Law


def start_of(stream: Stream) -> Start:
    """Cases of a stream as they leave the tip, in the order of its dimensions.

    Parameters
    ----------
    stream : Stream
        With one set of laws for all cases.

    Returns
    -------
    Start

    Raises
    ------
    InputError
        The cases differ in their laws.
    """
    template, columns = _columns(stream.values())
    values = columns(slice(0, int(np.prod(list(template.sizes.values()), dtype=int))))
    names = {name: str(values[name][0]) for name in ("pressure_tap", *_LAWS)}
    for name, first in names.items():
        if (values[name] != first).any():
            raise InputError(f"{name}: must be one for all cases here")
    exit_ = _exit(values, names)
    jet = _jet(values, exit_, _breakup(values, names, exit_))
    launch = Launch(jet.exit_speed, *(values[n] for n in ("elevation", "nozzle_height", "target_height")))
    constants = _constants(values, "flight_constants")
    return Start(jet, launch, constants, exit_["flow_rate"], law_named(names["drag_model"]))


def _for_each(run: Callable[[int], None], starts: range, workers: int | None) -> None:
    threads = min(len(starts), workers or processors())
    if threads <= 1:
        for start in starts:
            run(start)
        return
    with ThreadPoolExecutor(threads) as pool:
        for _ in pool.map(run, starts):
            pass


def _columns(values: Mapping[str, Any]) -> tuple[xr.DataArray, Callable[[slice], dict[str, NDArray[Any]]]]:
    """A template with the result's dimensions, and a function giving flat columns of a range of cases.

    Fields are broadcast as views and copied chunk by chunk, so a scalar never fills an array of all cases.
    """
    arrays = {name: labelled(value) for name, value in values.items()}
    # Without labels one array of a shape stands for all: laying forty side by side takes longer than a short flight.
    kinds = {(a.dims, a.shape) if not a.coords else name: a for name, a in arrays.items()}
    widest = xr.broadcast(*(xr.DataArray(np.broadcast_to(False, a.shape), a.coords, a.dims) for a in kinds.values()))
    template = widest[0]
    views = {name: _laid_out(array, template) for name, array in arrays.items()}

    def columns(part: slice) -> dict[str, NDArray[Any]]:
        count = part.stop - part.start
        index = np.unravel_index(np.arange(part.start, part.stop), template.shape or (1,))
        return {name: view[index] if view.ndim else np.full(count, view[()]) for name, view in views.items()}

    return template, columns


def _laid_out(array: xr.DataArray, template: xr.DataArray) -> NDArray[Any]:
    """The values in the template's dimensions, as a view; a scalar stays one."""
    if not array.ndim or (array.dims, array.shape) == (template.dims, template.shape):
        return array.values
    like = array.broadcast_like(template).transpose(*template.dims).values
    return np.broadcast_to(like, template.shape)


def _simulate_mixed(columns: Values, names: Sequence[str]) -> dict[str, NDArray[Any]]:
    """Simulate cases that may differ in their laws: each combination of laws flies on its own."""
    if all((columns[name] == columns[name][0]).all() for name in _LAWS):
        return _simulate_alike(columns, names)
    laws = [_numbered(np.asarray(columns[name]).astype(str)) for name in _LAWS]
    which = np.ravel_multi_index(laws, [int(law.max()) + 1 for law in laws])
    results = _allocate(which.size, names)
    for number in np.unique(which):
        cases = np.flatnonzero(which == number)
        part = _simulate_alike({name: column[cases] for name, column in columns.items()}, names)
        for name, value in part.items():
            results[name][..., cases] = value
    return results


def _numbered(names: NDArray[np.str_]) -> NDArray[np.intp]:
    """A few different names as numbers; to sort texts takes longer than to compare each with them all."""
    numbers, count = np.full(names.size, -1), 0
    while numbers[first := int(numbers.argmin())] < 0:
        numbers[names == names[first]] = count
        count += 1
    return numbers


def _simulate_alike(columns: Values, wanted: Sequence[str]) -> dict[str, NDArray[Any]]:
    """Simulate cases that share their laws."""
    names = {name: str(columns[name][0]) for name in ("pressure_tap", *_LAWS)}
    exit_ = _exit(columns, names)
    breakup = _breakup(columns, names, exit_)
    jet = _jet(columns, exit_, breakup)
    constants = _constants(columns, "flight_constants")
    kind = law_named(names["drag_model"])
    law = kind.of(jet, constants)
    launch = Launch(jet.exit_speed, *(columns[n] for n in ("elevation", "nozzle_height", "target_height")))
    flight = _flight(kind, law, jet, launch, constants)
    results: dict[str, NDArray[Any]] = exit_ | breakup
    results |= {name: getattr(flight, name) for name in _FLOWN}
    thrown = Thrown(jet, launch, constants, flight, kind)
    criterion = reach_criterion(names["reach_criterion"])
    results["effective_reach"] = criterion.reach(thrown)
    if "delivered_fraction" in wanted:
        results["delivered_fraction"] = delivered_fraction(thrown, columns["delivery_distance"])
    results["outcome"] = np.where(flight.lost, 2, np.isnan(flight.extreme_reach)).astype(np.int8)
    estimated = np.isnan(columns["breakup_length"]) if "breakup_length" in columns else np.asarray(True)
    # How fine the drops are matters to none but results that count them.
    by_drops = criterion.by_drops or not {*wanted}.isdisjoint(_BY_DROPS)
    also = {"stream_diameter": jet.tip_diameter, "estimated": estimated, "too_fine": thrown.too_fine & by_drops}
    judged = {**columns, **results, **also}
    results["validity"] = validity(judged, names, flight.landed_before_breakup)
    if "path_along" in wanted:
        points = trace(law, launch, jet.breakup_length, STATIONS)
        results |= dict(zip(_PATH, (*points.position, points.time), strict=True))
    for name in wanted:
        if name in _FURTHER:
            results[name] = _FURTHER[name](Flown(columns, results, thrown))
    return {name: results[name] for name in wanted}


_FLIGHTS: ContextVar[dict[str | None, Flight] | None] = ContextVar("flights", default=None)


@contextmanager
def flights_remembered() -> Iterator[None]:
    """Fly a set of streams once, however many laws send off the same ones: in this thread, with one worker."""
    before = _FLIGHTS.set({})
    try:
        yield
    finally:
        _FLIGHTS.reset(before)


def _flight(kind: Law, law: DragLaw, jet: Jet, launch: Launch, constants: FlightConstants) -> Flight:
    known = _FLIGHTS.get()
    if known is None:
        return kind.fly(law, launch, jet.breakup_length)
    name = name_of(kind.name, jet, launch, constants)
    if name is None or name not in known:
        known[name] = kind.fly(law, launch, jet.breakup_length)
    return known[name]


def _constants(columns: Values, owner: str) -> Any:
    members = {name.partition(".")[2]: value for name, value in columns.items() if name.startswith(f"{owner}.")}
    return group(owner, members)


def _exit(columns: Values, names: Mapping[str, str]) -> dict[str, NDArray[Any]]:
    """Flow, speed, reaction and turbulence at the tip."""
    density = media.water_density(columns["water_temperature"])
    discharge, tip = columns["discharge_coefficient"], columns["tip_diameter"]
    velocity = columns.get("velocity_coefficient", discharge)
    pressure = columns["nozzle_pressure"]
    if names["pressure_tap"] == "base":
        pressure = nozzle.total_pressure(pressure, discharge, tip, columns["waterway_diameter"])
    speed = nozzle.exit_speed(pressure, velocity, density)
    valve = Valve(*(columns[f"valve_{name}"] for name in _VALVE))
    factor = valve_factor(names["valve_model"], valve, _constants(columns, "turbulence_constants"))
    tension = media.water_surface_tension(columns["water_temperature"])
    return {
        "flow_rate": nozzle.flow_rate(pressure, tip, discharge, density),
        "exit_speed": speed,
        "reaction_force": nozzle.reaction_force(pressure, tip, discharge, velocity),
        "exit_turbulence_intensity": factor * columns["clear_turbulence_intensity"],
        "weber_number": density * speed**2 * _stream_diameter(columns) / tension,
    }


def _stream_diameter(columns: Values) -> Array:
    """Diameter of the stream that flies: that of the tip, or of a thinner one for a fog nozzle."""
    return np.asarray(columns["tip_diameter"] * columns["equivalent_diameter_ratio"])


def _breakup(columns: Values, names: Mapping[str, str], exit_: Values) -> dict[str, NDArray[Any]]:
    """Breakup length: the measured one where there is one, else the correlation."""
    air = media.air_density(columns["air_temperature"], columns["air_pressure"])
    ratio = breakup_length_over_diameter(
        weber_number=exit_["weber_number"],
        turbulence_intensity=exit_["exit_turbulence_intensity"],
        density_ratio=media.water_density(columns["water_temperature"]) / air,
        constants=_constants(columns, "breakup_constants"),
        model=names["breakup_model"],
    )
    length = ratio * _stream_diameter(columns)
    measured = columns.get("breakup_length")
    if measured is not None:
        length = np.where(np.isnan(measured), length, measured)
    return {"breakup_length": length}


def _jet(columns: Values, exit_: Values, breakup: Values) -> Jet:
    return Jet(
        tip_diameter=_stream_diameter(columns),
        exit_speed=exit_["exit_speed"],
        breakup_length=breakup["breakup_length"],
        water_density=media.water_density(columns["water_temperature"]),
        air_density=media.air_density(columns["air_temperature"], columns["air_pressure"]),
        air_viscosity=media.air_viscosity(columns["air_temperature"]),
        surface_tension=media.water_surface_tension(columns["water_temperature"]),
        elevation=columns["elevation"],
        wind_along=columns["wind_along"],
        wind_across=columns["wind_across"],
    )


# --------------------------------------------------------------------------------------------------------
# Labels

_LAWS = ("drag_model", "breakup_model", "valve_model", "reach_criterion")
_VALVE = ("turbulence_factor", "upstream_factor", "loss_coefficient", "distance")
_FLOWN = (
    "breakup_distance",
    "extreme_reach",
    "lateral_drift",
    "apex_height",
    "apex_distance",
    "flight_time",
)
_RESULTS = (
    "flow_rate",
    "exit_speed",
    "reaction_force",
    "exit_turbulence_intensity",
    "weber_number",
    "breakup_length",
    *_FLOWN,
    "effective_reach",
    "outcome",
    "validity",
)
_PATH = ("path_along", "path_across", "path_height", "path_time")


def _names(stream: Stream, path: bool) -> tuple[str, ...]:
    """Results in order."""
    fraction = ("delivered_fraction",) if stream.delivery_distance is not None else ()
    further = tuple(name for name in stream.further_results if name in _FURTHER)
    return (*_RESULTS, *fraction, *further, *(_PATH if path else ()))


def _allocate(size: int, names: Sequence[str]) -> dict[str, NDArray[Any]]:
    kinds: dict[str, Any] = {"outcome": np.int8, "validity": np.int16}
    return {name: np.empty((STATIONS, size) if name in _PATH else size, dtype=kinds.get(name, float)) for name in names}


def _dataset(results: Values, template: xr.DataArray) -> xr.Dataset:
    """Put names, units and the template's dimensions on flat result arrays."""
    variables = {}
    for name, value in results.items():
        leading = ("station",) if value.ndim == 2 else ()
        shaped = value.reshape((*value.shape[:-1], *template.shape))
        variables[name] = ((*leading, *template.dims), shaped, _attributes(name))
    return xr.Dataset(variables, template.coords)


def _inputs(given: Mapping[str, Any], template: xr.DataArray) -> dict[str, xr.Variable]:
    """The stream's fields as coordinates of its results; one that is a dimension of its own is there already."""
    taken = {*template.coords, "breakup_length"}  # measured or not, the result tells it
    arrays = {name: labelled(value) for name, value in given.items() if name not in taken}
    return {name: xr.Variable(array.dims, array.values, _attributes(name)) for name, array in arrays.items()}


def _attributes(name: str) -> dict[str, Any]:
    if name == "outcome":
        return flag_attributes("outcome of the flight", "flag_values", OUTCOMES, np.int8)
    if name == "validity":
        return flag_attributes("use outside the range of a fit", "flag_masks", VALIDITY, np.int16)
    q = quantity(name)
    return {"units": q.udunits, "long_name": q.long_name}


# --------------------------------------------------------------------------------------------------------
# Studies


def sparing(outputs: Sequence[str]) -> dict[str, Any]:
    """Fields of a stream that spare results which none of the outputs (all by default) reads, and ask for others."""
    costly = {"effective_reach": ("reach_criterion", "breakup"), "delivered_fraction": ("delivery_distance", None)}
    spared = dict(field for result, field in costly.items() if outputs and result not in outputs)
    further = tuple(name for name in outputs if name in _FURTHER)
    return spared | ({"further_results": further} if further else {})


@dataclass(frozen=True)
class StreamModel:
    """A picklable model of a study: fixed fields, and a sample of the fields that vary.

    Attributes
    ----------
    fixed : mapping
        Stream fields and dotted constants that do not vary, SI.
    outputs : tuple of str
        Result variables to return besides `outcome` and `validity`; all by default.
    """

    fixed: Mapping[str, Any] = field(default_factory=dict)
    outputs: tuple[str, ...] = ()

    def __call__(self, samples: xr.Dataset) -> xr.Dataset:
        """Simulate a sample.

        Parameters
        ----------
        samples : xarray.Dataset
            One variable for each field that varies, all along one dimension.

        Returns
        -------
        xarray.Dataset
            Results along the same dimension.
        """
        varying = {str(name): samples[name].variable for name in samples.data_vars}
        columns = {name: xr.DataArray(variable.values, dims=variable.dims) for name, variable in varying.items()}
        fields = {**self.fixed, **columns, **sparing(self.outputs)}
        result = simulate(Stream.from_values(fields), workers=1).reset_coords(drop=True)  # the sample holds the inputs
        return result[[*self.outputs, "outcome", "validity"]] if self.outputs else result
