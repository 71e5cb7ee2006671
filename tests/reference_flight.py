"""A slow, independent reference for the flight: event-split DOP853 at rtol 1e-12, one case at a time."""

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from scipy.integrate import solve_ivp

G = 9.80665
TOLERANCE = {"method": "DOP853", "rtol": 1e-12, "atol": 1e-12}


class Case(NamedTuple):
    """One flight: launch, core length, target, and the acceleration beyond breakup as f(velocity)."""

    speed: float
    elevation: float
    nozzle_height: float
    target_height: float
    breakup_length: float
    spray: Callable[[np.ndarray], np.ndarray]


def fly(case: Case) -> dict[str, float]:
    """Reach, drift, time, apex and breakup distance of one flight; NaN where undefined."""
    angle = math.radians(case.elevation)
    start = [
        0.0,
        0.0,
        case.nozzle_height,
        case.speed * math.cos(angle),
        0.0,
        case.speed * math.sin(angle),
        0.0,
    ]
    events = [_event(lambda y: y[6] - case.breakup_length), _landing(case)]
    core = solve_ivp(_core, (0, 300), start, events=events, **TOLERANCE)
    if core.t_events[1].size:
        return _result(case, core.t_events[1][0], core.y_events[1][0], [core])
    time, state = core.t_events[0][0], core.y_events[0][0]

    def spray(_, y):
        return [*y[3:6], *case.spray(y[3:6]), 0.0]

    apex = _event(lambda y: y[5], direction=-1, terminal=False)
    falls = _event(lambda y: y[2] - case.target_height + 1.0, direction=-1)
    rest = solve_ivp(spray, (time, time + 600), state, events=[_landing(case), apex, falls], **TOLERANCE)
    landed = rest.t_events[0].size > 0
    end = (rest.t_events[0][0], rest.y_events[0][0]) if landed else (math.nan, np.full(7, math.nan))
    result = _result(case, *end, [core, rest])
    result["breakup_distance"] = state[0]
    return result


def _core(_, y):
    return [*y[3:6], 0.0, 0.0, -G, math.sqrt(y[3] ** 2 + y[4] ** 2 + y[5] ** 2)]


def _event(function, direction=0, terminal=True):
    def event(_, y):
        return function(y)

    event.direction = direction
    event.terminal = terminal
    return event


def _landing(case):
    return _event(lambda y: y[2] - case.target_height, direction=-1)


def _result(case, time, state, parts):
    apex = max(
        ((e[2], e[0]) for p in parts[1:] for e in p.y_events[1]),
        default=(math.nan, math.nan),
    )
    return {
        "extreme_reach": state[0],
        "lateral_drift": state[1],
        "flight_time": time,
        "apex_height": apex[0],
        "apex_distance": apex[1],
    }


def quadratic(drag: float, along: float, across: float) -> Callable[[np.ndarray], np.ndarray]:
    """Acceleration of quadratic drag [1/m] in a wind."""

    def acceleration(velocity):
        slip = velocity - np.array([along, across, 0.0])
        return -drag * np.linalg.norm(slip) * slip - np.array([0.0, 0.0, G])

    return acceleration
