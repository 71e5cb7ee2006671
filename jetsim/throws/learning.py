"""Calibration of a field test, in two passes.

The first pass emulates the throws over the whole breadth of the priors and finds roughly where the posterior is; the
second emulates them again there. The error of an emulator that must span the priors is mostly common to all throws of a
set-up, so it does not average out over them as scatter does, and weighs the more the more is thrown.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jetsim.experiment.calibration import Learnt, Posterior, Sampling, calibrate, learnt, scouted
from jetsim.throws.conditions import throws_of
from jetsim.throws.emulated import Emulated, emulate, near_scores, wide_scores
from jetsim.throws.likelihood import likelihood
from jetsim.throws.question import FieldTest
from jetsim.throws.sheet import Sheet

Array = NDArray[np.float64]

# Of the emulator's common error in the standard error of a set-up's mean: an eighth more of it at the most.
LARGEST_SHARE = 0.5


@dataclass(frozen=True, eq=False)
class Learning:
    """A calibrated test: the posterior, and the emulators of the first pass and of the second, which it rests on."""

    posterior: Posterior
    first: Emulated
    emulated: Emulated
    made_by_model: bool

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
        """Validity of the flights behind the second emulator."""
        return self.emulated.flags

    @property
    def runs(self) -> int:
        """Simulated flights behind the emulators of both passes."""
        return self.first.runs + self.emulated.runs

    def emulator_share(self, emulated: Emulated) -> float:
        """Largest share of an emulator's common error in the standard error of the mean reach of a set-up."""
        scatter = float(np.median(self.values["trial.reach_scatter"]))
        counts = {name: len(emulated.thrown.of(name)) for name in emulated.emulators}
        return max(error * float(np.sqrt(counts[name])) / scatter for name, error in emulated.common_errors.items())

    @property
    def trusted(self) -> bool:
        """Whether the emulator's error is small beside what the throws can tell."""
        return self.emulator_share(self.emulated) <= LARGEST_SHARE


def learn(test: FieldTest, sheet: Sheet, sampling: Sampling, seed: int | None = None) -> Learning:
    """Calibrate on the throws that count."""
    counted = sheet.accepted
    start = test.seed if seed is None else seed
    thrown = throws_of(test, counted)
    unknowns, ties = {key: prior.distribution for key, prior in test.priors.items()}, test.ties
    rng = np.random.default_rng(start)
    first = emulate(test, thrown, wide_scores(test, rng))
    centre, root = scouted(unknowns, likelihood(test, counted, first), ties)
    second = emulate(test, thrown, near_scores(test, centre, root, rng))
    return Learning(
        calibrate(unknowns, likelihood(test, counted, second), start, sampling, centre, ties),
        first,
        second,
        counted.made_by_model,
    )
