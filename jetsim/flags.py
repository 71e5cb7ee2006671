"""Outcome and validity of simulated streams: what the flags mean, and which cases lie outside the range of a fit."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim.jet.breakup import BREAKUP_MODELS
from jetsim.jet.laws import DRAG_LAWS

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
    256: "more than a tenth of the water finer than the flight law can say",
}
# More of the runs than this outside a fit, and the first paragraph of a report says so.
MANY = 0.1
_IN_TRADE_WORDS = {
    1: "speed and tip size together lie beyond the breakup tests",
    2: "the water leaves the tip rougher or smoother than in the breakup tests",
    4: "the stream breaks up sooner or later, for its tip, than the throws tested",
    8: "the stream leaves the tip thicker or thinner than those tested",
    16: "the stream is faster or slower than those tested",
    32: "the nozzle is held flatter or steeper than in the throws tested",
    64: "the stream lands before it breaks up",
    128: "the wind is stronger than in any throw that is known of",
    256: "more than a tenth of the water is too fine to be followed, which effective reach depends on",
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
        (256, values["too_fine"]),
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
    """Each flag of validity in trade words, as the end of "stretched beyond the tests, because ..."."""
    return dict(_IN_TRADE_WORDS)


def outside_sentence(flags: ArrayLike, runs: str = "the runs") -> str:
    """What the first paragraph of a report says of runs outside the range of a fit.

    Parameters
    ----------
    flags : array_like of int
        `validity` of all runs.
    runs : str, optional
        What the sentence calls them.

    Returns
    -------
    str
        The share of the runs outside any fit, and in trade words the two most frequent flags of those that more than a
        tenth of the runs carry (or else the most frequent one); empty where no more than a tenth lies outside.

    Examples
    --------
    >>> outside_sentence([0, 0, 0, 32])  # doctest: +ELLIPSIS
    'In 25 % of the runs, breakup and reach are stretched beyond the tests behind them, above all because ...'
    """
    given = np.asarray(flags, dtype=np.int64).ravel()
    share = float(np.mean(given != 0)) if given.size else 0.0
    if share <= MANY:
        return ""
    shares = {bit: float(np.mean(given & bit != 0)) for bit in VALIDITY}
    by_share = sorted(shares, key=lambda bit: -shares[bit])
    often = [bit for bit in by_share[:2] if shares[bit] > MANY] or by_share[:1]
    counted = "all" if share == 1 else "over 99 %" if share > 0.99 else f"{100 * share:.0f} %"
    return (
        f"In {counted} of {runs}, breakup and reach are stretched beyond the tests behind them, above all because "
        f"{' and because '.join(_IN_TRADE_WORDS[bit] for bit in often)}."
    )


def flag_attributes(long_name: str, kind: str, flags: Mapping[int, str], dtype: Any) -> dict[str, Any]:
    """CF attributes of a flag variable (CF conventions 1.11, section 3.5)."""
    words = " ".join(text.replace(" ", "_") for text in flags.values())
    return {"long_name": long_name, kind: np.array(list(flags), dtype=dtype), "flag_meanings": words}
