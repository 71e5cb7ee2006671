"""Calibration of a field test, in passes.

The first pass emulates the throws over the whole breadth of the priors and finds roughly where the posterior is; the
others emulate them again there, until the error is small. The error of an emulator that must span the priors is mostly
common to all throws of a set-up, so it does not average out over them as scatter does, and weighs the more the more is
thrown.
"""

from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jetsim.experiment.calibration import Learnt, Posterior, Sampling, calibrate, learnt, scouted
from jetsim.throws import expected
from jetsim.throws.conditions import throws_of
from jetsim.throws.emulated import FURTHER, Emulated, emulate, near_scores, values_of, wide_scores
from jetsim.throws.likelihood import Likelihood
from jetsim.throws.question import FieldTest
from jetsim.throws.sheet import Sheet

Array = NDArray[np.float64]

# Of the emulator's common error in the standard error of a set-up's mean: 3 % more of it at the most.
LARGEST_SHARE = 0.25
PASSES = 3  # at most, after the first


@dataclass(frozen=True, eq=False)
class Learning:
    """A calibrated test: the posterior, and the emulators of each pass; it rests on the last ones.

    `measured` is the column whose mean the emulators' error is held against.
    """

    posterior: Posterior
    passes: tuple[Emulated, ...]
    made_by_model: bool
    measured: str = "farthest_drops"

    @property
    def first(self) -> Emulated:
        """Emulators of the first pass."""
        return self.passes[0]

    @property
    def emulated(self) -> Emulated:
        """Emulators of the last pass."""
        return self.passes[-1]

    @property
    def learnt(self) -> list[Learnt]:
        """How far each unknown was narrowed."""
        return learnt(self.posterior)

    @property
    def values(self) -> dict[str, Array]:
        """Draws of the posterior by name."""
        return {str(name): self.posterior.values[name].values for name in self.posterior.values.data_vars}

    @property
    def flags(self) -> NDArray[np.int16]:
        """Validity of the flights behind the last emulators."""
        return self.emulated.flags

    @property
    def runs(self) -> int:
        """Simulated flights behind the emulators of all passes."""
        return sum(emulated.runs for emulated in self.passes)

    def emulator_share(self, emulated: Emulated) -> float:
        """Largest share of an emulator's common error in the standard error of the mean distance of a set-up."""
        scatter = float(np.median(self.values[expected.SCATTERS[self.measured]]))
        return emulated.share(scatter, expected.COMPARED[self.measured][0])

    @property
    def trusted(self) -> bool:
        """Whether the emulator's error is small beside what the throws can tell."""
        return self.emulator_share(self.emulated) <= LARGEST_SHARE


def learn(
    test: FieldTest,
    sheet: Sheet,
    sampling: Sampling,
    seed: int | None = None,
    executor: Executor | None = None,
) -> Learning:
    """Calibrate on the throws that count.

    The flights of a set-up, or some steps of a group of walkers, are a piece of work for `executor`, if there is one.
    """
    counted = sheet.accepted
    start = test.seed if seed is None else seed
    unknowns, ties = {key: prior.distribution for key, prior in test.priors.items()}, test.ties
    passes, about = _passes(test, counted, np.random.default_rng(start), executor)
    posterior = calibrate(unknowns, Likelihood(test, counted, passes[-1]), start, sampling, about, ties, executor)
    return Learning(posterior, tuple(passes), counted.made_by_model, _measured(counted))


def _measured(counted: Sheet) -> str:
    """The distance that the throws teach most about: farthest drops, or breakup where no others were read."""
    return "breakup_distance" if counted.silent("farthest_drops").all() else "farthest_drops"


def _passes(
    test: FieldTest, counted: Sheet, rng: np.random.Generator, executor: Executor | None
) -> tuple[list[Emulated], tuple[Array, Array]]:
    """Emulators of each pass, and where the posterior is by the last ones."""
    thrown, measured = throws_of(test, counted), _measured(counted)
    unknowns = {key: prior.distribution for key, prior in test.priors.items()}
    passes, about = [emulate(test, thrown, wide_scores(test, rng), executor=executor)], None
    while True:
        about = scouted(unknowns, Likelihood(test, counted, passes[-1]), about, test.ties)
        scatter = values_of(test, about[0][None])[expected.SCATTERS[measured]]
        small = passes[-1].share(float(scatter[0]), expected.COMPARED[measured][0]) <= LARGEST_SHARE
        if len(passes) > PASSES or (len(passes) > 1 and small):
            return passes, about
        passes.append(emulate(test, thrown, near_scores(test, *about, rng), FURTHER, executor))
