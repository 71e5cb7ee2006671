"""A slow, independent reference for the flight: event-split DOP853 at rtol 1e-12, one case at a time."""

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from scipy.integrate import solve_ivp

G = 9.80665
TOLERANCE = {"method": "DOP853", "rtol": 1e-12, "atol": 1e-12}


class Case(NamedTuple):
    """One flight: launch, core length, target, and the rates beyond breakup.

    ``spray(time, velocity, own, broken)`` gives the acceleration and the rates of the law's own `extra` rows;
    `broken` is the time of breakup.
    """

    speed: float
    elevation: float
    nozzle_height: float
    target_height: float
    breakup_length: float
    spray: Callable[..., tuple[np.ndarray, np.ndarray]]
    extra: int = 0


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

    def spray(now, y):
        y = y.tolist()
        acceleration, own = case.spray(now, y[3:6], y[7:], time)
        return [*y[3:6], *acceleration, 0.0, *own]

    apex = _event(lambda y: y[5], direction=-1, terminal=False)
    falls = _event(lambda y: y[2] - case.target_height + 1.0, direction=-1)
    start = [*state, *np.zeros(case.extra)]
    rest = solve_ivp(
        spray, (time, time + 600), start, first_step=1e-6, events=[_landing(case), apex, falls], **TOLERANCE
    )
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


def quadratic(drag: float, along: float, across: float) -> Callable[..., tuple[np.ndarray, np.ndarray]]:
    """Quadratic drag [1/m] in a wind."""

    def rates(_, velocity, own, __):
        x, y, z = velocity[0] - along, velocity[1] - across, velocity[2]
        slowing = -drag * math.hypot(x, y, z)
        return (slowing * x, slowing * y, slowing * z - G), own

    return rates


def air_stream(jet, launch, constants, case: int) -> Callable[..., tuple[np.ndarray, np.ndarray]]:
    """The air-stream law, written out plainly for one case."""
    d, speed, breakup, water, air, viscosity, tension, elevation, along, across = (float(a[case]) for a in jet)
    quality = (breakup / (210 * d)) ** constants.quality_exponent
    drop = constants.drop_ratio * constants.drop_scale * d * quality
    angle = math.radians(elevation)
    start = speed * np.array([math.cos(angle), 0.0, math.sin(angle)])
    gravity, wind = np.array([0.0, 0.0, -G]), np.array([along, across, 0.0])

    def rates(time, velocity, own, broken):
        momentum = start + gravity * time - velocity
        width = d / 2 + constants.spread / quality * speed * time
        size = np.linalg.norm(momentum)
        air_velocity = wind
        if size > 1e-10:
            lever = np.linalg.norm(own) / size
            share = 1 / math.sqrt(1 + 16 / math.pi * (lever / width) ** 2)
            flux = water * (d / 2) ** 2 * speed * size * share / (air * width**2)
            # Half of the wind along the momentum, as far as the flux is seen from the nozzle; none on a mere trace.
            half = constants.wind_frame / 2 * (wind @ momentum) / size * size**2 / (size**2 + 1e-6)
            u = math.sqrt(flux + half**2) - half
            air_velocity = wind + u * momentum / size
        slip = velocity - air_velocity
        fast = np.linalg.norm(slip)
        flat = 0.0139 * (air * fast**2 * drop / tension) ** 2
        sphere = 0.2924 * (1 + 9.06 / math.sqrt(air * fast * drop / viscosity)) ** 2
        drag = 0.75 * sphere * (1 + flat / (1 + flat / 1.5)) / drop * air / water * fast
        return gravity - (1 - broken / time) * drag * slip, np.cross(velocity - wind, momentum)

    return rates
