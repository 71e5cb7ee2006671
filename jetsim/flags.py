"""Outcome and validity of simulated streams: what the flags mean, and which cases lie outside the range of a fit."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jetsim.jet.breakup import BREAKUP_MODELS
from jetsim.jet.laws import DRAG_LAWS

MIST = 256  # judged only in runs that count drops
OUTCOMES = {0: "landed", 1: "never reaches the target height", 2: "lost: beyond what the drag law can follow"}
VALIDITY = {
    1: "Weber number outside the breakup fit",
    2: "turbulence outside the breakup fit",
    4: "breakup length over diameter outside the flight fit",
    8: "tip diameter outside the flight fit",
    16: "exit speed outside the flight fit",
    32: "elevation outside the flight fit",
    64: "lands before breakup",
    128: "wind above any that is known of",
    MIST: "more than a tenth of the water finer than the flight law can say",
}
_IN_TRADE_WORDS = {
    1: "speed and tip size together lie beyond the breakup tests",
    2: "the water leaves the tip rougher or smoother than in the breakup tests",
    4: "the stream breaks up earlier or later, for its size, than any that was tested",
    8: "the stream leaves the tip thicker or thinner than any that was tested",
    16: "the stream is faster or slower than any that was tested",
    32: "the nozzle is held flatter or steeper than in the throws tested",
    64: "the stream lands before it breaks up",
    128: "the wind is stronger than in any throw that is known of",
    MIST: "more than a tenth of the water is mist too fine to be followed",
}


def validity(
    values: Mapping[str, NDArray[Any]], names: Mapping[str, str], landed_early: NDArray[np.bool_]
) -> NDArray[np.int16]:
    """Flags of every case outside the range that a correlation or a law was fitted on.

    Parameters
    ----------
    values : mapping
        Fields and results of the stream, ``stream_diameter`` [m], whether its breakup length is ``estimated``
        and its drops are ``too_fine``; SI, arrays of shape (n,).
    names : mapping
        Names of the laws.
    landed_early : ndarray of bool, shape (n,)
        Landed before breakup.
    """
    length, diameter = values["breakup_length"], values["stream_diameter"]
    model, fitted = BREAKUP_MODELS[names["breakup_model"]], DRAG_LAWS[names["drag_model"]].fitted
    estimated = values["estimated"]
    checks: list[tuple[int, Any]] = [
        (1, _outside(values["weber_number"], model.weber_range) & estimated),
        (2, _outside(values["exit_turbulence_intensity"], model.turbulence_range) & estimated),
        (64, landed_early),
        (MIST, values["too_fine"]),
    ]
    if fitted is not None:
        checks += [
            (4, _outside(length / diameter, fitted.breakup_length_over_diameter)),
            (8, _outside(diameter, fitted.tip_diameter)),
            (16, _outside(values["exit_speed"], fitted.exit_speed)),
            (32, _outside(values["elevation"], fitted.elevation)),
            (128, _outside(np.hypot(values["wind_along"], values["wind_across"]), fitted.wind)),
        ]
    flags = np.zeros(landed_early.shape, dtype=np.int16)
    for bit, where in checks:
        flags |= np.where(where, np.int16(bit), np.int16(0))
    return flags


def _outside(value: NDArray[Any], limits: tuple[float, float]) -> NDArray[np.bool_]:
    return np.asarray((value < limits[0]) | (value > limits[1]))


def trade_words() -> dict[int, str]:
    """Each flag of validity in trade words, as a reason why breakup and reach are less sure."""
    return dict(_IN_TRADE_WORDS)


def flag_attributes(long_name: str, kind: str, flags: Mapping[int, str], dtype: Any) -> dict[str, Any]:
    """CF attributes of a flag variable (CF conventions 1.11, section 3.5)."""
    words = " ".join(text.replace(" ", "_") for text in flags.values())
    return {"long_name": long_name, kind: np.array(list(flags), dtype=dtype), "flag_meanings": words}
