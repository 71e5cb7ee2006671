"""Laws of drag: one file a law, all that is special to it, and the table of those that can be selected."""

import math
from collections.abc import Mapping
from types import MappingProxyType

from jetsim.errors import InputError
from jetsim.jet.drag import DragLaw, FlightConstants, Jet
from jetsim.jet.laws import air_stream, two_stage, vacuum
from jetsim.jet.laws.law import Constant as Constant
from jetsim.jet.laws.law import Law
from jetsim.jet.laws.law import SprayLaw as SprayLaw
from jetsim.quantities import Quantity, did_you_mean, register_quantity

_LAWS = {law.name: law for law in (air_stream.LAW, two_stage.LAW, vacuum.LAW)}
# A view: laws registered later show too.
DRAG_LAWS: Mapping[str, Law] = MappingProxyType(_LAWS)
DEFAULT = air_stream.LAW


def register_law(law: Law) -> None:
    """Make a law of drag selectable by its name, in streams, study files and reports.

    Parameters
    ----------
    law : Law
        Its own constants become quantities ``flight_constants.NAME``, which a study may vary.

    Raises
    ------
    InputError
        The name is taken, or that of one of its constants.

    Notes
    -----
    A script registers its law before it builds streams, and in every process that flies them.
    """
    if law.name in _LAWS:
        raise InputError(f"drag law {law.name!r}: the name is taken")
    for name, constant in law.own.items():
        if not constant.low <= constant.default <= constant.high or not math.isfinite(constant.default):
            allowed = f"allowed is {constant.low} to {constant.high}"
            raise InputError(f"flight_constants.{name} = {constant.default}: {allowed}")
        ratio = ("ratio", "1", "1", "1", constant.low, constant.high)
        register_quantity(Quantity(f"flight_constants.{name}", "", constant.long_name, *ratio))
    _LAWS[law.name] = law


def law_named(name: str) -> Law:
    """Look up a law by name.

    Raises
    ------
    InputError
        Unknown law; the known ones are named.
    """
    if name not in DRAG_LAWS:
        raise InputError(f"drag_model = {name!r}: unknown{did_you_mean(name, DRAG_LAWS)}")
    return DRAG_LAWS[name]


def drag_law(name: str, jet: Jet, constants: FlightConstants) -> DragLaw:
    """Build the named law for an array of cases."""
    return law_named(name).of(jet, constants)
