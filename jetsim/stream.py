"""A fire stream: its fields, their defaults, and what is refused."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from jetsim import media
from jetsim.errors import InputError
from jetsim.hydraulics.hoseline import HoseLine
from jetsim.hydraulics.nozzle import check_coefficients, check_waterway
from jetsim.hydraulics.nozzle_kinds import Nozzle
from jetsim.hydraulics.operating_point import operating_point
from jetsim.jet.breakup import BREAKUP_MODELS, BreakupConstants
from jetsim.jet.delivery import REACH_CRITERIA
from jetsim.jet.drag import FlightConstants
from jetsim.jet.laws import DEFAULT, DRAG_LAWS
from jetsim.jet.turbulence import VALVE_MODELS, TurbulenceConstants
from jetsim.quantities import QUANTITIES, check_range, did_you_mean, quantity

# Views of tables: what is registered later is known here too.
_NAMES: dict[str, Collection[str]] = {
    "pressure_tap": ("tip", "base"),
    "valve_model": VALVE_MODELS,
    "breakup_model": BREAKUP_MODELS,
    "drag_model": DRAG_LAWS,
    "reach_criterion": REACH_CRITERIA,
}
_GROUPS: dict[str, type[BreakupConstants] | type[FlightConstants] | type[TurbulenceConstants]] = {
    "breakup_constants": BreakupConstants,
    "flight_constants": FlightConstants,
    "turbulence_constants": TurbulenceConstants,
}
_OPTIONAL = ("waterway_diameter", "velocity_coefficient", "breakup_length", "delivery_distance")


@dataclass(frozen=True, eq=False)
class Stream:
    """A fire stream, or many: every field a scalar, a 1-D array of cases, or a DataArray. SI throughout.

    1-D arrays must have one length and become the dimension ``case``; DataArrays broadcast by name.

    Attributes
    ----------
    tip_diameter : array_like
        [m]
    nozzle_pressure : array_like
        Gauge pressure [Pa], read as `pressure_tap` says.
    pressure_tap : str
        ``"tip"``: total pressure at the tip. ``"base"``: static gauge at the base of the tip, which needs
        `waterway_diameter` and adds the velocity of approach.
    waterway_diameter : array_like, optional
        [m], above the tip diameter.
    discharge_coefficient : array_like
        Cd [-].
    velocity_coefficient : array_like, optional
        Cv [-], at least Cd; equal to Cd by default (no contraction).
    equivalent_diameter_ratio : array_like
        Diameter of the smooth-bore stream that flies alike over `tip_diameter` [-]: 1 for a smooth bore. The
        straight stream of a fog nozzle is a ring that joins again: assumed 0.3 to 0.9, no published data found.
    elevation : array_like
        Above horizontal [deg].
    nozzle_height, target_height : array_like
        Above ground [m]; the target may lie below.
    valve_model : str or array of str
        How the valve turbulence factor is found: ``"factor"`` (as given), ``"upstream factor"`` (from
        `valve_upstream_factor`), ``"clear"`` (1), ``"loss"`` or ``"decaying loss"`` (from `valve_loss_coefficient`,
        without or with decay to the tip).
    valve_turbulence_factor : array_like
        Exit turbulence with the valve over that of a clear waterway [-], as a measurement gives it.
    valve_upstream_factor : array_like
        The same ratio before the tip [-], as `jetsim.jet.turbulence.VALVE_STYLES` state it; assumed. It reaches the
        exit through ``turbulence_constants.tip_share``.
    valve_loss_coefficient, valve_distance : array_like
        K on the waterway's dynamic head, and valve to tip over waterway diameter [-]; used by the two loss
        models of `valve_model`.
    clear_turbulence_intensity : array_like
        Exit turbulence of the same tip on a clear waterway [-]; 0.07 is assumed, see README.
    breakup_length : array_like, optional
        Measured breakup length along the stream [m]. Replaces the correlation and the valve's factor; NaN
        entries use the correlation.
    wind_along, wind_across : array_like
        [m/s]; tail wind, and wind towards the thrower's left, positive.
    water_temperature, air_temperature : array_like
        [degC]
    air_pressure : array_like
        Absolute [Pa].
    breakup_model, drag_model : str or array of str
        Names from `jetsim.jet.breakup.BREAKUP_MODELS` and `jetsim.jet.laws.DRAG_LAWS`.
    reach_criterion : str or array of str
        What `effective_reach` means: a name from `jetsim.jet.delivery.REACH_CRITERIA`.
    delivery_distance : array_like, optional
        Distance along the ground [m] beyond which the result `delivered_fraction` counts the flow; without it there is
        no such result.
    further_results : sequence of str
        Results to work out besides those that every stream has: ``"effective_reach_at_best"`` (up to 10 deg, see
        `jetsim.jet.delivery.effective_reach_at_best`), and those added by `jetsim.simulation.register_output`.
    breakup_constants, flight_constants, turbulence_constants
        Constants of the laws; their members may be arrays too.

    Raises
    ------
    InputError
        A field is out of range, not a number, NaN, of another length, or an unknown name.
    """

    tip_diameter: ArrayLike | xr.DataArray
    nozzle_pressure: ArrayLike | xr.DataArray
    pressure_tap: str = "tip"
    discharge_coefficient: ArrayLike | xr.DataArray = 0.975
    velocity_coefficient: ArrayLike | xr.DataArray | None = None
    waterway_diameter: ArrayLike | xr.DataArray | None = None
    equivalent_diameter_ratio: ArrayLike | xr.DataArray = 1.0
    elevation: ArrayLike | xr.DataArray = 30.0
    nozzle_height: ArrayLike | xr.DataArray = 1.0
    target_height: ArrayLike | xr.DataArray = 0.0
    valve_model: Any = "factor"
    valve_turbulence_factor: ArrayLike | xr.DataArray = 1.0
    valve_upstream_factor: ArrayLike | xr.DataArray = 1.0
    valve_loss_coefficient: ArrayLike | xr.DataArray = 0.05
    valve_distance: ArrayLike | xr.DataArray = 6.0
    clear_turbulence_intensity: ArrayLike | xr.DataArray = 0.07
    breakup_length: ArrayLike | xr.DataArray | None = None
    wind_along: ArrayLike | xr.DataArray = 0.0
    wind_across: ArrayLike | xr.DataArray = 0.0
    water_temperature: ArrayLike | xr.DataArray = 15.0
    air_temperature: ArrayLike | xr.DataArray = 15.0
    air_pressure: ArrayLike | xr.DataArray = 101325.0
    breakup_model: Any = "two_regime"
    drag_model: Any = DEFAULT.name
    reach_criterion: Any = "delivered share"
    delivery_distance: ArrayLike | xr.DataArray | None = None
    further_results: Sequence[str] = ()
    breakup_constants: BreakupConstants = field(default_factory=BreakupConstants)
    flight_constants: FlightConstants = field(default_factory=FlightConstants)
    turbulence_constants: TurbulenceConstants = field(default_factory=TurbulenceConstants)

    def __post_init__(self) -> None:
        values = self.values()
        for name, value in values.items():
            _check_field(name, value)
        _check_lengths(values)
        _check_coordinates(values)
        _check_results(self.further_results)
        self._check_together()

    def _check_together(self) -> None:
        """Rules that tie fields to each other."""
        if self.velocity_coefficient is not None:
            check_coefficients(*_aligned(self.discharge_coefficient, self.velocity_coefficient))
        if self.pressure_tap == "base":
            if self.waterway_diameter is None:
                raise InputError("waterway_diameter is missing: pressure_tap = 'base' needs it, in m")
            check_waterway(*_aligned(self.tip_diameter, self.waterway_diameter))

    def values(self) -> dict[str, Any]:
        """All given fields that describe the stream, by name, constants by dotted name."""
        flat: dict[str, Any] = {}
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name == "further_results":
                continue
            if item.name in _GROUPS:
                kind = _GROUPS[item.name]
                if not isinstance(value, kind):
                    raise InputError(f"{item.name} = {value!r}: must be a {kind.__name__}")
                flat |= {f"{item.name}.{name}": member for name, member in _members(value).items()}
            elif value is not None or item.name not in _OPTIONAL:
                flat[item.name] = value
        return flat

    @classmethod
    def from_line(cls, pump_pressure: ArrayLike, line: HoseLine, nozzle: Nozzle, **fields: Any) -> "Stream":
        """Build a stream from the pump: what a nozzle throws at the end of a line.

        Parameters
        ----------
        pump_pressure : array_like
            Gauge [Pa]; a scalar or a 1-D array of cases, like the members of `line` and `nozzle`.
        line : HoseLine
        nozzle : Nozzle
            Of any kind; a fog nozzle on straight stream flies as its equivalent smooth bore (assumed).
        **fields
            Other fields of the stream.

        Raises
        ------
        InputError
            As `Stream`, or the pump does not lift the water to the nozzle.

        Examples
        --------
        >>> from jetsim.hydraulics.hoseline import HoseLine, HoseSection
        >>> from jetsim.hydraulics.nozzle_kinds import SmoothBore
        >>> line = HoseLine([HoseSection(diameter=0.0445, length=60.0, coefficient=8.8e7)])
        >>> stream = Stream.from_line(830e3, line, SmoothBore(0.0238125), elevation=25.0)
        >>> round(float(stream.nozzle_pressure) / 1e3)
        277
        """
        temperature = fields.get("water_temperature", cls.water_temperature)
        if isinstance(temperature, xr.DataArray) and temperature.ndim:
            raise InputError("water_temperature is a DataArray: behind a line, give a number or a 1-D array of cases")
        density = media.water_density(temperature)
        point = operating_point(pump_pressure, line, nozzle, density)
        dry = np.flatnonzero(point.flow_rate <= 0)
        if dry.size:
            pump = float(np.ravel(point.pump_pressure)[dry[0]])
            raise InputError(f"pump_pressure = {pump:.6g} Pa: does not lift the water to the nozzle")
        return cls(**{**equivalent_fields(nozzle, point.nozzle_pressure), **fields})

    @classmethod
    def from_values(cls, values: Mapping[str, Any]) -> "Stream":
        """Build a stream from fields and dotted constants (``{"breakup_constants.scale": 1.1, ...}``).

        Raises
        ------
        InputError
            An unknown field; the nearest known one is named.
        """
        known = [item.name for item in fields(cls)]
        plain = {name: value for name, value in values.items() if "." not in name}
        groups: dict[str, dict[str, Any]] = {}
        for name, value in values.items():
            owner, _, member = name.partition(".")
            if member:
                groups.setdefault(owner, {})[member] = value
            if owner not in known or (member and name not in QUANTITIES):
                raise InputError(f"unknown field {name!r}{did_you_mean(name, [*known, *_dotted()])}")
        for name in ("tip_diameter", "nozzle_pressure"):
            if name not in plain:
                raise InputError(f"{name} is missing: a stream needs it, in {quantity(name).si}")
        built = {owner: group(owner, members) for owner, members in groups.items()}
        return cls(**plain, **built)


def group(owner: str, members: Mapping[str, Any]) -> Any:
    """Constants of one group by name: those of breakup, flight or turbulence."""
    kind = _GROUPS[owner]
    return kind.of(members) if kind is FlightConstants else kind(**members)


def _members(constants: Any) -> dict[str, Any]:
    """Constants of a group by name."""
    if isinstance(constants, FlightConstants):
        return constants.members()
    return {item.name: getattr(constants, item.name) for item in fields(constants)}


def equivalent_fields(
    nozzle: Nozzle, nozzle_pressure: ArrayLike, members: Mapping[str, ArrayLike] | None = None
) -> dict[str, NDArray[np.float64]]:
    """Fields of the stream that a nozzle of any kind throws.

    Parameters
    ----------
    nozzle : Nozzle
    nozzle_pressure : array_like
        [Pa]
    members : mapping of str to array_like, optional
        What a sample says of the nozzle's unknowns, as `Nozzle.sampled` takes it.

    Raises
    ------
    InputError
        As `Nozzle.sampled`.
    """
    same = nozzle.sampled(members or {}).equivalent_stream(nozzle_pressure)
    return {
        "tip_diameter": same.tip_diameter,
        "nozzle_pressure": same.nozzle_pressure,
        "discharge_coefficient": same.discharge_coefficient,
        "velocity_coefficient": same.velocity_coefficient,
        "equivalent_diameter_ratio": same.diameter_ratio,
    }


def _dotted() -> list[str]:
    return [name for name in QUANTITIES if "." in name]


def _aligned(*values: Any) -> list[NDArray[Any]]:
    """Arrays of several fields, broadcast against each other by name where they are DataArrays."""
    arrays = xr.broadcast(*(labelled(value) for value in values))
    return [array.values for array in arrays]


def labelled(value: Any) -> xr.DataArray:
    """A field as a DataArray: scalars without dimension, 1-D arrays along ``case``."""
    if isinstance(value, xr.DataArray):
        return value
    array = np.asarray(value)
    return xr.DataArray(array, dims=("case",) if array.ndim else ())


def _check_field(name: str, value: Any) -> None:
    """Refuse a field whose value cannot be used."""
    if quantity(name).dimension == "name":
        _check_names(name, value)
        return
    if np.ma.is_masked(value):
        raise InputError(f"{name} is an array with masked values: leave their cases out")
    si = quantity(name).si
    try:
        array = np.asarray(value, dtype=float)
    except (TypeError, ValueError):
        array = np.asarray("text")
    if array.dtype.kind != "f" or value is None or isinstance(value, (str, bool)):
        raise InputError(f"{name} = {value!r}: must be a number or an array of numbers in {si}")
    if array.ndim > 1 and not isinstance(value, xr.DataArray):
        raise InputError(f"{name} has {array.ndim} dimensions: give a 1-D array of cases or a DataArray")
    given = ~np.isnan(array) if name == "breakup_length" else np.ones(array.shape, dtype=bool)
    check_range(name, array[given])


def _check_results(names: Sequence[str]) -> None:
    results = [name for name, known in QUANTITIES.items() if known.role != "input"]
    for name in names:
        if name not in results:
            raise InputError(f"further_results: {name!r} is no result{did_you_mean(name, results)}")


def _check_names(name: str, value: Any) -> None:
    if name == "pressure_tap" and not isinstance(value, str):
        raise InputError(f"{name}: must be one name for all cases")
    for text in sorted(set(np.ravel(np.asarray(value, dtype=object)).astype(str).tolist())):
        if text not in _NAMES[name]:
            raise InputError(f"{name} = {text!r}: unknown{did_you_mean(text, _NAMES[name])}")


def _check_lengths(values: Mapping[str, Any]) -> None:
    """Arrays along one dimension must have one length (a length of one is an array, not a scalar)."""
    sizes: dict[Any, dict[str, int]] = {}
    for name, value in values.items():
        for dimension, size in labelled(value).sizes.items():
            sizes.setdefault(dimension, {})[name] = size
            if size == 0:
                raise InputError(f"{name} is an empty array: give at least one case")
    for dimension, found in sizes.items():
        if len(set(found.values())) > 1:
            listed = ", ".join(f"{name} has {size}" for name, size in found.items())
            raise InputError(f"arrays along {dimension!r} differ in length: {listed}")


def _check_coordinates(values: Mapping[str, Any]) -> None:
    """DataArrays along one dimension must have the same coordinates there, in one order."""
    first: dict[Any, tuple[str, Any]] = {}
    for name, value in values.items():
        for dimension, coordinates in getattr(value, "indexes", {}).items():
            other, known = first.setdefault(dimension, (name, coordinates))
            if not known.equals(coordinates):
                raise InputError(f"{other} and {name} have different coordinates along {dimension!r}")
