"""One table of every quantity that jetsim takes or gives: symbol, units, long name and allowed range.

Results, tables, figures and error messages all read their names and units here, so a quantity is called
the same wherever it shows.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from jetsim import units
from jetsim.errors import InputError

UnitSystem = Literal["us", "si"]
Role = Literal["input", "output", "both"]


@dataclass(frozen=True)
class Quantity:
    """One named quantity.

    Attributes
    ----------
    name, symbol, long_name : str
        Identifier, the symbol used beside equations, and the words used in figures and tables.
    dimension : str
        Dimension as `jetsim.units` names it, or ``"name"`` for a choice given as text.
    si, us, metric : str
        Unit labels: inside the package, in US customary display, in metric display.
    low, high : float
        Allowed range of an input, SI; infinite where there is no limit.
    low_open, high_open : bool
        Whether the limit itself is refused.
    role : str
        ``"input"``, ``"output"`` or ``"both"``.
    """

    name: str
    symbol: str
    long_name: str
    dimension: str
    si: str
    us: str
    metric: str
    low: float = -math.inf
    high: float = math.inf
    low_open: bool = False
    high_open: bool = False
    role: Role = "input"

    def display_unit(self, system: UnitSystem) -> str:
        """Label of the unit shown to a reader of the ``"us"`` or ``"si"`` edition."""
        return self.us if system == "us" else self.metric

    @property
    def udunits(self) -> str:
        """The SI unit as UDUNITS parses it."""
        return units.unit(self.si).udunits

    def allowed(self, unit_name: str | None = None) -> str:
        """The allowed range in words, in `unit_name` or SI, for example ``"above 0 to 1450 psi"``."""
        label = unit_name or self.si
        low, high = (float(units.from_si(limit, label)) for limit in (self.low, self.high))
        shown = "" if label == "1" else f" {label}"
        if math.isinf(low) and math.isinf(high):
            return f"any finite number{shown}"
        if math.isinf(high):
            return f"{'above' if self.low_open else 'at least'} {low:.6g}{shown}"
        if math.isinf(low):
            return f"{'below' if self.high_open else 'at most'} {high:.6g}{shown}"
        start = f"above {low:.6g}" if self.low_open else f"{low:.6g}"
        return f"{start} to {'below ' if self.high_open else ''}{high:.6g}{shown}"

    def holds(self, value: ArrayLike) -> bool:
        """Whether all SI values lie in the allowed range, by the least and the greatest of them; NaN never does."""
        if isinstance(value, float):
            least = greatest = value
        else:
            array = np.asarray(value, dtype=float)
            if not array.size:
                return True
            least, greatest = float(np.minimum.reduce(array, axis=None)), float(np.maximum.reduce(array, axis=None))
        above = least > self.low if self.low_open else least >= self.low
        below = greatest < self.high if self.high_open else greatest <= self.high
        return above and below and math.isfinite(least) and math.isfinite(greatest)

    def contains(self, value: ArrayLike) -> np.ndarray:
        """Whether SI values lie in the allowed range; NaN never does."""
        array = np.asarray(value, dtype=float)
        above = array > self.low if self.low_open else array >= self.low
        below = array < self.high if self.high_open else array <= self.high
        return np.asarray(above & below & np.isfinite(array))


_INPUTS = (
    Quantity("tip_diameter", "d", "tip diameter", "length", "m", "in", "mm", 0.0, 0.2, low_open=True),
    Quantity("nozzle_pressure", "P", "nozzle pressure", "pressure", "Pa", "psi", "bar", 0.0, 1e7, low_open=True),
    Quantity("pressure_tap", "", "where the pressure is read", "name", "1", "1", "1"),
    Quantity("waterway_diameter", "D", "waterway diameter", "length", "m", "in", "mm", 0.0, 0.5, low_open=True),
    Quantity("discharge_coefficient", "Cd", "discharge coefficient", "ratio", "1", "1", "1", 0.0, 1.0, low_open=True),
    Quantity("velocity_coefficient", "Cv", "velocity coefficient", "ratio", "1", "1", "1", 0.0, 1.0, low_open=True),
    Quantity("equivalent_diameter_ratio", "", "coherence of a fog stream (its diameter over that of a smooth bore)",
             "ratio", "1", "1", "1", 0.0, 1.0, low_open=True),
    Quantity("elevation", "a", "elevation angle", "angle", "deg", "deg", "deg", -90.0, 90.0),
    Quantity("nozzle_height", "h0", "nozzle height above ground", "length", "m", "ft", "m", 0.0, 200.0),
    Quantity("target_height", "ht", "target height above ground", "length", "m", "ft", "m", -200.0, 200.0),
    Quantity("valve_model", "", "how the valve's turbulence is found", "name", "1", "1", "1"),
    Quantity("valve_turbulence_factor", "F", "valve turbulence factor", "ratio", "1", "1", "1", 0.0, 20.0,
             low_open=True),
    Quantity("valve_upstream_factor", "Fu", "valve turbulence factor before the tip", "ratio", "1", "1", "1", 0.0, 20.0,
             low_open=True),
    Quantity("valve_loss_coefficient", "K", "valve loss coefficient", "ratio", "1", "1", "1", 0.0, 1e4),
    Quantity("valve_distance", "x/D", "valve to tip over waterway diameter", "ratio", "1", "1", "1", 0.0, 1e3),
    Quantity("clear_turbulence_intensity", "Tu0", "exit turbulence of a clear waterway", "ratio", "1", "1", "1",
             0.0, 0.5, low_open=True),
    Quantity("wind_along", "Wx", "wind along the throw (tail wind positive)", "speed", "m/s", "mph", "m/s",
             -60.0, 60.0),
    Quantity("wind_across", "Wy", "wind across the throw (towards the left positive)", "speed", "m/s", "mph", "m/s",
             -60.0, 60.0),
    Quantity("water_temperature", "Tw", "water temperature", "temperature", "degC", "degF", "degC", 0.0, 99.0),
    Quantity("air_temperature", "Ta", "air temperature", "temperature", "degC", "degF", "degC", -60.0, 60.0),
    Quantity("air_pressure", "pa", "air pressure", "pressure", "Pa", "inHg", "kPa", 3e4, 1.2e5),
    Quantity("breakup_model", "", "breakup law", "name", "1", "1", "1"),
    Quantity("drag_model", "", "drag law", "name", "1", "1", "1"),
    Quantity("reach_criterion", "", "criterion of effective reach", "name", "1", "1", "1"),
    Quantity("delivery_distance", "", "distance at which the delivered fraction is counted", "length", "m", "ft", "m",
             0.0, 500.0),
    Quantity("breakup_length", "xb", "breakup length along the stream", "length", "m", "ft", "m", 0.0, 500.0,
             low_open=True, role="both"),
)  # fmt: skip

# (name after the dot, symbol, long name, lowest, highest); all are plain ratios.
_CONSTANTS = {
    "breakup_constants": (
        ("scale", "sb", "breakup length over its correlation", 0.05, 20.0),
        ("atomization_coefficient", "B", "breakup coefficient", 1.0, 1e4),
        ("turbulence_exponent", "m", "breakup exponent of turbulence", 0.0, 3.0),
        ("density_exponent", "", "breakup exponent of density ratio", 0.0, 2.0),
        ("surface_coefficient", "", "surface-breakup coefficient", 0.1, 100.0),
    ),
    "flight_constants": (
        ("drop_ratio", "c", "drop over tip diameter (air-stream law)", 1e-4, 10.0),
        ("spread", "tan a", "spread of the air stream (air-stream law)", 1e-5, 1.0),
        ("quality_exponent", "q", "exponent of breakup length (air-stream law)", -5.0, 10.0),
        ("drop_scale", "sd", "drop over its law (air-stream law)", 0.01, 100.0),
        ("drop_spread", "s", "spread of drop sizes (standard deviation of ln)", 0.0, 1.5),
        ("farthest_share", "", "share of the water below the flight law's drop", 0.5, 0.999),
        ("wind_frame", "f", "frame of the air's flux in wind (0 the wind's, 1 the nozzle's)", 0.0, 1.0),
        ("sphere_drag", "CD", "drag coefficient (two-stage law)", 0.0, 5.0),
        ("diameter_ratio", "c", "effective diameter over tip diameter (two-stage law)", 1e-3, 100.0),
        ("breakup_exponent", "q", "exponent of breakup length (two-stage law)", -5.0, 5.0),
        ("speed_exponent", "p", "exponent of speed (two-stage law)", -5.0, 5.0),
    ),
    "turbulence_constants": (
        ("friction_factor", "f", "friction factor of the waterway", 1e-4, 1.0),
        ("valve_efficiency", "eta", "share of the valve's loss that becomes turbulence", 0.0, 1.0),
        ("decay_exponent", "n", "turbulence decay exponent", 0.5, 3.0),
        ("eddy_size", "L/D", "eddy size over waterway diameter", 1e-3, 10.0),
        ("dissipation_constant", "A", "dissipation constant", 0.01, 10.0),
        ("tip_share", "s", "share of a clear tip's turbulence that arises in the tip", 0.0, 1.0),
    ),
}

_OUTPUTS = tuple(
    Quantity(*row, role="output")
    for row in (
        ("flow_rate", "Q", "flow", "flow", "m3/s", "gpm", "L/min"),
        ("exit_speed", "V", "exit speed", "speed", "m/s", "ft/s", "m/s"),
        ("reaction_force", "R", "nozzle reaction", "force", "N", "lbf", "N"),
        ("exit_turbulence_intensity", "Tu", "exit turbulence intensity", "ratio", "1", "1", "1"),
        ("weber_number", "We", "Weber number of the exit", "ratio", "1", "1", "1"),
        ("breakup_distance", "Xb", "breakup distance along the ground", "length", "m", "ft", "m"),
        ("extreme_reach", "X", "extreme reach", "length", "m", "ft", "m"),
        ("effective_reach", "Xe", "effective reach", "length", "m", "ft", "m"),
        ("effective_reach_at_best", "Xe", "effective reach at the best elevation", "length", "m", "ft", "m"),
        ("deciding_landing", "", "landing of the drops that decide the effective reach", "length", "m", "ft", "m"),
        ("delivered_fraction", "", "share of the flow delivered beyond the stated distance", "ratio", "1", "1", "1"),
        ("lateral_drift", "Y", "lateral drift (towards the left positive)", "length", "m", "ft", "m"),
        ("apex_height", "H", "apex height above ground", "length", "m", "ft", "m"),
        ("apex_distance", "Xa", "distance to the apex", "length", "m", "ft", "m"),
        ("flight_time", "t", "flight time", "time", "s", "s", "s"),
        ("path_along", "x", "distance along the ground", "length", "m", "ft", "m"),
        ("path_across", "y", "distance across (towards the left positive)", "length", "m", "ft", "m"),
        ("path_height", "z", "height above ground", "length", "m", "ft", "m"),
        ("path_time", "t", "time since leaving the tip", "time", "s", "s", "s"),
        ("probability_of_reaching", "", "probability of reaching the target", "ratio", "1", "1", "1"),
    )
)

# The way from the pump to the tip. (name after the dot, symbol, long name, dimension, units, lowest, highest.)
_RATIO, _LENGTH, _PRESSURE = ("ratio", "1", "1", "1"), ("length", "m", "ft", "m"), ("pressure", "Pa", "psi", "bar")
_DIAMETER, _FLOW = ("length", "m", "in", "mm"), ("flow", "m3/s", "gpm", "L/min")
_HOSE = ("hose coefficient", "Pa s2/m7", "psi/(100gpm)2/(100ft)", "kPa/(100L/min)2/(100m)")
_FORCE = ("force", "N", "lbf", "N")
_SUPPLY = tuple(
    Quantity(f"supply.{name}", symbol, long_name, *dimension, low, high, low_open=is_open)
    for name, symbol, long_name, dimension, low, high, is_open in (
        ("pump_pressure", "Pp", "pump pressure", _PRESSURE, 0.0, 1e7, False),
        ("pump_pressure_error", "", "pump pressure error", _PRESSURE, -5e6, 5e6, False),
        ("nozzle_pressure_error", "", "nozzle pressure error", _PRESSURE, -5e6, 5e6, False),
        ("pump_flow", "", "flow of the pump", _FLOW, 0.0, 10.0, True),
        ("hose_diameter", "D", "hose diameter", _DIAMETER, 0.0, 0.5, True),
        ("hose_length", "L", "hose length", _LENGTH, 0.0, 1e4, True),
        ("hose_coefficient", "C", "hose coefficient", _HOSE, 0.0, 1e12, False),
        ("coefficient_scatter", "", "scatter of the hose coefficient (standard deviation of ln)", _RATIO, 0.0, 2.0,
         False),
        ("hose_deviation", "", "hose coefficient (deviation from the stated one, in scatters)", _RATIO, -10.0, 10.0,
         False),
        ("friction_ratio", "", "hose friction over the stated friction", _RATIO, 0.0, 100.0, False),
        ("hazen_williams_coefficient", "C", "Hazen-Williams coefficient", _RATIO, 0.0, 300.0, True),
        ("rise", "z", "rise from pump to nozzle", _LENGTH, -500.0, 500.0, False),
        ("loss_coefficient", "K", "loss coefficient", _RATIO, 0.0, 1e4, False),
        ("kink_loss_coefficient", "Kk", "kinks (loss coefficient)", _RATIO, 0.0, 1e4, False),
        ("stepped_loss", "", "stepped loss", _PRESSURE, 0.0, 1e7, False),
        ("threshold_flow", "", "flow at which the loss steps in", _FLOW, 0.0, 10.0, False),
        ("rated_flow", "Qr", "rated flow", _FLOW, 0.0, 1.0, True),
        ("rated_pressure", "Pr", "rated pressure", _PRESSURE, 0.0, 1e7, True),
        ("flow_ratio", "", "flow over the stated flow at the same pressure", _RATIO, 0.5, 2.0, False),
        ("pressure_drift", "", "pressure drift over the rated flow range", _PRESSURE, 0.0, 15 * units.PSI, True),
        ("maximum_pressure", "", "stated maximum pressure", _PRESSURE, 0.0, math.inf, True),
        ("tip_wear", "", "tip wear (diameter over nominal)", _RATIO, 0.5, 2.0, False),
        ("setting_step", "", "setting error (settings too high)", _RATIO, -20.0, 20.0, False),
        ("handling_limit", "", "stated handling limit", _FORCE, 0.0, 1e5, True),
        ("reaction_excess", "", "force on the crew above the formula", _RATIO, 0.0, 5.0, False),
    )
) + tuple(
    Quantity(f"supply.{name}", "", long_name, *dimension, role="output")
    for name, long_name, dimension in (
        ("friction_loss", "friction loss", _PRESSURE),
        ("local_loss", "appliance, kink and valve losses", _PRESSURE),
        ("elevation_pressure", "elevation pressure", _PRESSURE),
        ("crew_force", "force on the crew", _FORCE),
        ("delivered_pressure", "delivered nozzle pressure", _PRESSURE),
        ("needed_pump_pressure", "pump pressure that gives it", _PRESSURE),
    )
)  # fmt: skip

# What a field test adds. (name after the dot, long name, lowest, highest); all are plain ratios.
_TRIAL = tuple(
    Quantity(f"trial.{name}", "", long_name, *_RATIO, low, high)
    for name, long_name, low, high in (
        ("observed_onset", "breakup as the eye sees it over breakup distance", 0.01, 5.0),
        ("gauge_error", "error of the pressure gauge (share)", -0.5, 0.5),
        ("meter_error", "error of the flowmeter (share)", -0.5, 0.5),
        ("wind_error", "wind round the stream over the wind as read (ln)", -1.5, 1.5),
        ("day_effect", "what a day does to the reach of all its throws (logarithm)", -0.5, 0.5),
        ("style_spread", "spread of shutoffs of one style (standard deviation of ln F)", 0.0, 2.0),
        ("reach_scatter", "scatter of reach from throw to throw (standard deviation of ln)", 0.0, 1.0),
        ("breakup_scatter", "scatter of seen breakup from throw to throw (standard deviation of ln)", 0.0, 2.0),
    )
)


def _constants() -> tuple[Quantity, ...]:
    return tuple(
        Quantity(f"{owner}.{name}", symbol, long_name, "ratio", "1", "1", "1", low, high)
        for owner, rows in _CONSTANTS.items()
        for name, symbol, long_name, low, high in rows
    )


QUANTITIES = {quantity.name: quantity for quantity in (*_INPUTS, *_SUPPLY, *_TRIAL, *_constants(), *_OUTPUTS)}


def quantity(name: str) -> Quantity:
    """Look up a quantity by name.

    Parameters
    ----------
    name : str
        A field of the stream, a result, or a model constant such as ``breakup_constants.scale``.

    Returns
    -------
    Quantity

    Raises
    ------
    InputError
        The name is not in the table; the nearest one is named.
    """
    if name in QUANTITIES:
        return QUANTITIES[name]
    raise InputError(f"unknown quantity {name!r}{did_you_mean(name, QUANTITIES)}")


def register_quantity(added: Quantity) -> None:
    """Add a quantity to the table: of a law or a result that is registered from outside.

    Raises
    ------
    InputError
        The name is taken.
    """
    if added.name in QUANTITIES:
        raise InputError(f"quantity {added.name!r}: the name is taken")
    QUANTITIES[added.name] = added


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """A hint such as ``"; did you mean 'seed'?"``, or the known names where none is near."""
    names = list(known)
    near = get_close_matches(name, names, n=1, cutoff=0.6)
    return f"; did you mean {near[0]!r}?" if near else f"; known: {', '.join(names)}"


def check_range(name: str, value: ArrayLike, unit_name: str | None = None, field: str | None = None) -> None:
    """Refuse values outside the allowed range of a quantity.

    Parameters
    ----------
    name : str
        Name of the quantity.
    value : array_like of float
        SI values of any shape.
    unit_name : str, optional
        Unit in which the message speaks; SI by default.
    field : str, optional
        What the message calls the field; `name` by default.

    Raises
    ------
    InputError
        Names the field, the first offending value, the allowed range and the unit.
    """
    q = quantity(name)
    if q.holds(value):
        return
    array = np.atleast_1d(np.asarray(value, dtype=float))
    label = unit_name or q.si
    where = np.flatnonzero(~q.contains(array).ravel())[0]
    shown = float(units.from_si(array.ravel()[where], label))
    place = f" (case {where})" if array.size > 1 else ""
    unit_text = "" if label == "1" else f" {label}"
    raise InputError(f"{field or name} = {shown:.6g}{unit_text}{place}: allowed is {q.allowed(label)}")
