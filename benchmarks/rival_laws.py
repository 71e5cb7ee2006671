"""Laws of flight that jetsim does not offer: rivals of the air-stream law, and the same law with one feature changed.

They follow jetsim's `DragLaw` interface, so the same integrator flies them; they are written plainly, not for speed.
`benchmarks/flight_laws.py` fits and compares them. None is published in this form; all constants are fitted.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jetsim.jet.drag import FlightConstants, Jet
from jetsim.jet.drops import drop_drag_coefficient, longest_stable_step
from jetsim.jet.laws.air_stream import FINEST
from jetsim.jet.laws.law import Law, SprayLaw
from jetsim.jet.sizes import drop_ratio
from jetsim.units import STANDARD_GRAVITY as G

Array = NDArray[np.float64]
_SPHERE = 0.44  # drag coefficient of a sphere at high Reynolds number
_LOST = 1e5  # no part of a sound state is so large
_STILL = 1e-12  # m/s, keeps directions defined where nothing moves


class Rival:
    """Base of the rivals: cases, constants of shape (k, n), and the time of breakup.

    Subclasses give `slowing`: the drag deceleration (2, n) and the rates of their own rows, from the time, the
    velocity relative to the wind and their own rows; and `begin`, their own rows at breakup.
    """

    extra = 0
    longest_step = np.inf

    def __init__(self, jet: Jet, constants: Array) -> None:
        self.jet = jet
        self.constants = np.broadcast_to(constants, (len(constants), jet.exit_speed.size))
        self.broken = np.zeros_like(jet.exit_speed)

    @property
    def wind(self) -> Array:
        """Wind along and across the throw, (2, n)."""
        return np.stack([self.jet.wind_along, self.jet.wind_across])

    @property
    def quality(self) -> Array:
        """Breakup length over that of a good stream, x_b / 210 d."""
        return self.jet.breakup_length / (210 * self.jet.tip_diameter)

    @property
    def density_ratio(self) -> Array:
        """Air over water."""
        return self.jet.air_density / self.jet.water_density

    def start(self, time: Array, velocity: Array) -> Array:
        """The law's own rows at breakup."""
        self.broken = time.copy()
        return self.begin(velocity)

    def begin(self, velocity: Array) -> Array:
        """No rows of its own."""
        return np.empty((0, velocity.shape[1]))

    def slowing(self, time: Array, velocity: Array, own: Array) -> tuple[Array, Array]:
        """Drag deceleration and rates of the own rows."""
        raise NotImplementedError  # each rival says it

    def rates(self, time: Array, y: Array, out: Array) -> None:
        """Gravity and the law's drag."""
        lost = ~(np.abs(y) < _LOST).all(axis=0)
        state = np.where(lost, 1.0, y)
        drag, own = self.slowing(time, state[:2], state[2:])
        out[:2], out[2:] = -drag, own
        out[1] -= G
        # Too stiff for the steps, as in a fit's worst trials: these shall fall at once, not hold up all others.
        out[:, lost] = 0.0
        out[1, lost] = -1e12

    def take(self, cases: NDArray[np.intp]) -> Self:
        """The same law for a choice of its cases."""
        copy = object.__new__(type(self))
        copy.__dict__.update(self.__dict__)
        copy.jet = Jet(*(column[cases] for column in self.jet))
        copy.constants, copy.broken = self.constants[:, cases], self.broken[cases]
        copy.longest_step = np.broadcast_to(self.longest_step, self.broken.shape)[cases]
        return copy

    def sphere_drag(self, diameter: Array) -> Array:
        """Drag per path of a sphere of `diameter` [1/m]."""
        return 0.75 * _SPHERE * self.density_ratio / diameter

    def drop_drag(self, slip: Array, diameter: Array) -> Array:
        """Drag per path of a drop [1/m] at a slip [m/s]."""
        jet = self.jet
        reynolds = jet.air_density * slip * diameter / jet.air_viscosity + 1e-9
        weber = jet.air_density * slip**2 * diameter / jet.surface_tension
        return 0.75 * drop_drag_coefficient(reynolds, weber) * self.density_ratio / diameter


class GrowingDrag(Rival):
    """Drag per path grows as ``(s / x_b)^m`` along the path s: ``D = c d (V / 28)^e (d / 19 mm)^f``."""

    extra = 1

    def begin(self, velocity: Array) -> Array:
        """Path flown."""
        return self.jet.breakup_length[None].copy()

    def slowing(self, time: Array, velocity: Array, own: Array) -> tuple[Array, Array]:
        """Quadratic drag of a growing constant."""
        c, m, e, f = self.constants
        d = self.jet.tip_diameter
        diameter = c * d * (self.jet.exit_speed / 28) ** e * (d / 0.019) ** f
        speed = _size(velocity)
        growth = (own[0] / self.jet.breakup_length) ** m
        return self.sphere_drag(diameter) * growth * speed * velocity, speed[None]


class Shedding(Rival):
    """The core is shed little by little beyond x_b; what is shed flies as drops of ``c d`` in still air.

    The share still in the core is ``exp(-(s / x_b - 1) / n)`` with ``n = n0 (x_b / 210 d)^q``; the path is that of
    the mean momentum.
    """

    extra = 1

    def begin(self, velocity: Array) -> Array:
        """Path flown."""
        return self.jet.breakup_length[None].copy()

    def slowing(self, time: Array, velocity: Array, own: Array) -> tuple[Array, Array]:
        """Drag on the share that has been shed."""
        c, n, q = self.constants
        shed = 1 - np.exp(-(own[0] / self.jet.breakup_length - 1) / (n * self.quality**q))
        speed = _size(velocity)
        return self.sphere_drag(c * self.jet.tip_diameter) * shed * speed * velocity, speed[None]


class ScalarAir(Rival):
    """Drops of ``c d`` in the air they drag along the path; a share lambda of it is lost per turn of the path.

    The air's speed is a scalar along the path: ``J`` is its momentum per mass of water, lost by hand where the stream
    bends. Sphere drag of 0.44.
    """

    extra = 2

    def begin(self, velocity: Array) -> Array:
        """Path flown, and the air's momentum."""
        return np.stack([self.jet.breakup_length, np.full_like(self.jet.breakup_length, 1e-9)])

    def slowing(self, time: Array, velocity: Array, own: Array) -> tuple[Array, Array]:
        """Drag of the slip along the path."""
        c, spread, loss, q = self.constants
        d, speed, momentum = self.jet.tip_diameter, _size(velocity) + 1e-9, np.maximum(own[1], 0.0)
        width = d / 2 + own[0] * spread * self.quality**-q
        air = d / (2 * width) * np.sqrt(self.jet.exit_speed * momentum / self.density_ratio)
        drag = self.sphere_drag(c * d) * np.abs(speed - air) * (speed - air)
        turning = G * np.abs(velocity[0]) / (speed**2 + 0.01)  # defined at a vertical stream's apex
        return drag * velocity / speed, np.stack([speed, drag - loss * own[1] * turning])


class SweptAir(Rival):
    """Vector momentum of the air, swept out of the stream across the path: loss ``kappa tan(psi) / b`` per path.

    psi is the angle between the air's momentum and the water's velocity. A round top-hat stream gives kappa = 2/pi;
    kappa = 0 loses nothing.
    """

    extra = 2

    def begin(self, velocity: Array) -> Array:
        """The air's momentum per mass of water; a trace of it, along the stream."""
        return velocity * 1e-7

    def slowing(self, time: Array, velocity: Array, own: Array) -> tuple[Array, Array]:
        """Drag of drops on the slip; momentum gained and lost by the air."""
        c, spread, q, kappa = self.constants
        d, size, speed = self.jet.tip_diameter, _size(own) + _STILL, _size(velocity) + 1e-9
        direction = own / size
        along = np.sqrt(((velocity * direction).sum(0) / speed) ** 2 + 0.0025)  # never quite across
        across = np.abs(_cross(velocity, direction)) / speed
        width = d / 2 + spread * self.quality**-q * self.jet.exit_speed * time
        air = d / (2 * width) * np.sqrt(self.jet.exit_speed * size / self.density_ratio / along)
        slip = velocity - air * direction
        drop = c * d * self.quality**q
        drag = self.drop_drag(_size(slip), drop) * _size(slip) * (1 - self.broken / time) * slip
        return drag, drag - kappa * across / along * speed / width * own


@dataclass(frozen=True)
class Feature:
    """What to change in the air-stream law; the default changes nothing.

    Attributes
    ----------
    quality_in_drop, quality_in_spread : bool
        Whether x_b acts on the drop and on the spread.
    gradual : bool
        Whether the core turns into spray gradually.
    sphere : bool
        Constant drag coefficient 0.44 instead of that of drops.
    by_path : bool
        Whether the air stream widens with the path flown, not with V0 t.
    wind_frame : float
        In which frame the air's flux is counted in wind, from the wind's (0) to the nozzle's (1).
    """

    quality_in_drop: bool = True
    quality_in_spread: bool = True
    gradual: bool = True
    sphere: bool = False
    by_path: bool = False
    wind_frame: float = 0.5


class ChangedAirStream(Rival):
    """The air-stream law written plainly, with one feature changed.

    Constants: c, tan(alpha), q, the overlap constant (16/pi in jetsim) and the exponent of the tip in the drop.
    """

    extra = 2

    def __init__(self, jet: Jet, constants: Array, feature: Feature) -> None:
        super().__init__(jet, constants)
        self.feature = feature
        self.longest_step = longest_stable_step(self._drop, jet.water_density, jet.air_viscosity)

    @property
    def _drop(self) -> Array:
        c, _, q, _, e = self.constants
        d = self.jet.tip_diameter
        return np.asarray(c * d * (d / 0.019) ** (e - 1) * (self.quality**q if self.feature.quality_in_drop else 1.0))

    def begin(self, velocity: Array) -> Array:
        """Moment of the air's momentum about the water, and the path flown."""
        return np.stack([np.zeros_like(velocity[0]), self.jet.breakup_length])

    def _momentum(self, time: Array, velocity: Array) -> Array:
        """The air's momentum per mass of water."""
        angle, speed = np.deg2rad(self.jet.elevation), self.jet.exit_speed
        level = np.hypot(speed * np.cos(angle) - self.jet.wind_along, self.jet.wind_across)
        return np.stack([level - velocity[0], speed * np.sin(angle) - G * time - velocity[1]])

    def _per_momentum(self, momentum: Array, flux: Array) -> Array:
        """The air's speed over its momentum, from the square of that in the wind's frame."""
        jet = self.jet
        level = np.stack([jet.exit_speed * np.cos(np.deg2rad(jet.elevation)) - jet.wind_along, -jet.wind_across])
        wind = (self.wind * level).sum(0) / np.maximum(_size(level), _STILL)
        half = self.feature.wind_frame / 2 * wind * momentum[0] / ((momentum**2).sum(0) + 1e-6)
        return np.asarray(np.sqrt(half**2 + flux) - half)

    def slowing(self, time: Array, velocity: Array, own: Array) -> tuple[Array, Array]:
        """Drag of drops on the slip against the air stream."""
        _, spread, q, overlap, _ = self.constants
        feature, d, quality, drop = self.feature, self.jet.tip_diameter, self.quality**q, self._drop
        rate = spread / (quality if feature.quality_in_spread else 1.0)
        width = d / 2 + rate * (own[1] if feature.by_path else self.jet.exit_speed * time)
        momentum = self._momentum(time, velocity)
        around = np.sqrt((momentum**2).sum(0) + overlap * (own[0] / width) ** 2 + 1e-24)
        flux = (d / (2 * width)) ** 2 * self.jet.exit_speed / self.density_ratio / around
        slip = velocity - momentum * self._per_momentum(momentum, flux)
        fast = _size(slip)
        drag = self.sphere_drag(drop) if feature.sphere else self.drop_drag(fast, drop)
        spray = 1 - self.broken / time if feature.gradual else 1.0
        own_rates = np.stack([_cross(velocity, momentum), _size(velocity)])
        return drag * fast * spray * slip, own_rates


def _cross(a: Array, b: Array) -> Array:
    return np.asarray(a[1] * b[0] - a[0] * b[1])


def _size(vector: Array) -> Array:
    return np.asarray(np.sqrt((vector**2).sum(0)))


# Shares of the mass below the drops that stand for a fifth of the water each.
_FIFTHS = (0.1, 0.3, 0.5, 0.7, 0.9)


class SharedAir(Rival):
    """Drops of all sizes in one air stream whose momentum is what they lose together: the balances close.

    As jetsim's law, but M is the momentum lost by five classes of drops, each a fifth of the water, and each meets the
    air ``u exp(-(e/b)^2)`` at its distance e from the mean path, abreast in time. The flight is that of drops whose
    size is `ratio` times the law's own, those of `FARTHEST`; they add nothing to the momentum. Constants: c,
    tan(alpha), q, and the standard deviation of ln(diameter). Wind acts in its own frame.
    """

    extra = 23

    def __init__(self, jet: Jet, constants: Array, ratio: ArrayLike = 1.0) -> None:
        super().__init__(jet, constants)
        self.ratio = np.broadcast_to(np.asarray(ratio, dtype=float), jet.exit_speed.shape)
        self.longest_step = longest_stable_step(self._drops.min(axis=0), jet.water_density, jet.air_viscosity)

    @property
    def _drops(self) -> Array:
        """Diameters [m]: of the drops flown, then of the classes; (6, n)."""
        c, _, q, sigma = self.constants
        ratios = np.concatenate([self.ratio[None], drop_ratio(np.array(_FIFTHS)[:, None], sigma)])
        return np.maximum(ratios * c * self.jet.tip_diameter * self.quality**q, FINEST)

    def take(self, cases: NDArray[np.intp]) -> Self:
        """The same law for a choice of its cases."""
        copy = super().take(cases)
        copy.ratio = self.ratio[cases]
        return copy

    def begin(self, velocity: Array) -> Array:
        """The moment, velocities of the classes, and offsets of all from the mean path."""
        return np.concatenate([np.zeros_like(velocity[:1]), *[velocity] * 5, np.zeros((12, velocity.shape[1]))])

    def slowing(self, time: Array, velocity: Array, own: Array) -> tuple[Array, Array]:
        """Drag of every class on its slip against the one air stream."""
        _, spread, q, _ = self.constants
        angle, speed, d = np.deg2rad(self.jet.elevation), self.jet.exit_speed, self.jet.tip_diameter
        classes = own[1:11].reshape(5, 2, -1)
        mean = classes.mean(axis=0)
        level = np.hypot(speed * np.cos(angle) - self.jet.wind_along, self.jet.wind_across)
        momentum = np.stack([level, speed * np.sin(angle) - G * time]) - mean
        width = d / 2 + spread / self.quality**q * speed * time
        around = np.sqrt((momentum**2).sum(0) + 16 / np.pi * (own[0] / width) ** 2 + 1e-24)
        air = momentum * d / (2 * width) * np.sqrt(speed / self.density_ratio / around)
        each = np.concatenate([velocity[None], classes])
        offsets = own[11:].reshape(6, 2, -1)
        aside = (mean[0] * offsets[:, 1] - mean[1] * offsets[:, 0]) / (_size(mean) + _STILL)
        slip = each - air * np.exp(-((aside / width) ** 2))[:, None]
        fast = np.sqrt((slip**2).sum(axis=1))
        drag = self.drop_drag(fast, self._drops) * fast * (1 - self.broken / time)
        slowed = drag[:, None] * slip
        fall = np.array([0.0, G])[:, None]
        moved = np.concatenate([*(-slowed[1:] - fall), *(each - mean)])
        return slowed[0], np.concatenate([_cross(mean, momentum)[None], moved])


def shared_air(c: float, spread: float, q: float) -> Law:
    """The same as a law with spray, for the package's own functions; the spread is `FlightConstants.drop_spread`."""

    def mean(jet: Jet, given: FlightConstants, ratio: ArrayLike = 1.0) -> SharedAir:
        columns = (c * np.asarray(given.drop_scale), spread, q, given.drop_spread)
        return SharedAir(jet, np.stack(np.broadcast_arrays(*columns, jet.exit_speed)[:4]), ratio)

    def drop(jet: Jet, given: FlightConstants) -> Array:
        quality = jet.breakup_length / (210 * jet.tip_diameter)
        return np.asarray(c * np.asarray(given.drop_scale) * jet.tip_diameter * quality**q)

    return Law("shared_air", mean, "one air stream", spray=SprayLaw(drop, mean, mean, FINEST))
