"""From a department, a set-up and a question to a space of uncertain inputs, and to joint draws over set-ups.

Who speaks for an input, first to last: what was measured on the set-up; what a calibration learnt; the entries of the
department (nozzle, shutoff, line, site); the table of beliefs. What the crew varies comes from the question, and a
question may override a belief.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jetsim.equipment.beliefs import (
    BEFORE_BREAKUP,
    BELIEFS,
    OF_LAWS,
    STREAM,
    Belief,
    latents_of,
    style_belief,
    style_loss,
)
from jetsim.equipment.department import SetUp
from jetsim.equipment.learnt import Learnt
from jetsim.equipment.model import NEEDED, Drive, SetUpModel
from jetsim.equipment.reading import Stated
from jetsim.errors import InputError
from jetsim.experiment.design import named_points
from jetsim.experiment.distributions import Choice
from jetsim.experiment.parameters import Latent, Parameter
from jetsim.experiment.space import ParameterSpace, check_power

FACTOR, UPSTREAM, BREAKUP = "valve_turbulence_factor", "valve_upstream_factor", "breakup_length"
TIP_SHARE, LOSS, VALVE = "turbulence_constants.tip_share", "valve_loss_coefficient", "valve_model"
_ROLE = {"nozzle": "unknown", "shutoff": "unknown", "line": "unknown", "site": "environment", "setup": "unknown"}


@dataclass(frozen=True)
class Inputs:
    """Everything that a set-up's model is given.

    Attributes
    ----------
    parameters : tuple of Parameter
        What is uncertain.
    fixed : mapping
        What is taken as it is, SI or text.
    owners : mapping of str to str
        Input to the entry that it belongs to, as ``"nozzles.bore"``; inputs that all streams share are left out.
    latents : tuple of Latent
        Shared causes.
    own : mapping of str to str
        Input to its key among joint draws, where the draws know this very set-up.
    """

    parameters: tuple[Parameter, ...]
    fixed: Mapping[str, Any]
    owners: Mapping[str, str]
    latents: tuple[Latent, ...] = ()
    own: Mapping[str, str] = field(default_factory=dict)

    def key(self, name: str) -> str:
        """An input's name among those of several set-ups: as learnt of this set-up, else with its owner, if any."""
        if name in self.own:
            return self.own[name]
        owner = self.owners.get(name)
        return name if owner is None else f"{name}[{owner.partition('.')[2]}]"

    @property
    def medians(self) -> dict[str, Any]:
        """Every input at its median, SI or text."""
        middle = np.array([0.5])
        return {**self.fixed, **{p.name: np.asarray(p.distribution.ppf(middle)).item() for p in self.parameters}}


@dataclass(frozen=True)
class Choices:
    """What a question adds to a set-up.

    Attributes
    ----------
    vary : tuple of Parameter
        What the crew varies, or a structural choice.
    fixed : mapping
        Further fields that do not vary, SI or text.
    overrides : mapping of str to Stated
        Beliefs that the question states otherwise.
    outputs : tuple of str
        Results that are asked for; inputs that act on none of them are left out. Empty: all.
    drive : {"nozzle", "pump"}
    """

    vary: tuple[Parameter, ...] = ()
    fixed: Mapping[str, Any] = field(default_factory=dict)
    overrides: Mapping[str, Stated] = field(default_factory=dict)
    outputs: tuple[str, ...] = ()
    drive: Drive = "nozzle"

    @property
    def laws(self) -> dict[str, tuple[str, ...]]:
        """Choices of law that the question makes: those that vary with their options, those that are fixed alone."""
        choices = {p.name: p.distribution for p in self.vary if isinstance(p.distribution, Choice)}
        varied = {name: tuple(str(value) for value in choice.values) for name, choice in choices.items()}
        return {**{name: (value,) for name, value in self.fixed.items() if isinstance(value, str)}, **varied}


def inputs_of(setup: SetUp, choices: Choices | None = None, learnt: Learnt | None = None) -> Inputs:
    """What is uncertain and what is fixed of a set-up.

    Raises
    ------
    InputError
        A question varies or overrides what does not act on this set-up.
    """
    asked = choices or Choices()
    given, owners = _stated(setup)
    beliefs = {name: _stated_belief(name, BELIEFS.get(name), asked.overrides) for name in _believed(setup, asked)}
    if _by_style(setup, given):
        assert setup.shutoff is not None
        beliefs[UPSTREAM] = _stated_belief(UPSTREAM, style_belief(str(setup.shutoff.style)), asked.overrides)
        beliefs[TIP_SHARE] = _stated_belief(TIP_SHARE, BELIEFS[TIP_SHARE], asked.overrides)
        given[VALVE] = (Stated("upstream factor"), "unknown")
        owners[UPSTREAM] = f"shutoffs.{setup.owners['shutoff']}"
    if LOSS in beliefs and setup.shutoff is not None:
        if setup.shutoff.style is not None:
            beliefs[LOSS] = _stated_belief(LOSS, style_loss(setup.shutoff.style), asked.overrides)
        owners[LOSS] = f"shutoffs.{setup.owners['shutoff']}"
    for name in setup.nozzle.believed:
        owners.setdefault(name, f"nozzles.{setup.owners['nozzle']}")
    if "line" in setup.owners:
        owners.setdefault("supply.hose_deviation", f"lines.{setup.owners['line']}")
    speaking = _speaking(beliefs, given)
    _check_acting(setup, asked, speaking)
    read = [_as_known(p, speaking) for p in asked.vary if p.name not in setup.nozzle.without]
    parameters, fixed = _split(speaking, replace(asked, vary=tuple(read)))
    tied, latents = latents_of(parameters)
    if learnt is None:
        return Inputs(tied, fixed, owners, latents)
    own = {p.name: key for p in tied if (key := own_key(p.name, setup.name)) in learnt.draws}
    tied, latents = learnt.applied(tied, latents, Inputs(tied, fixed, owners, own=own).key)
    return Inputs(tied, fixed, owners, latents, own)


def own_key(name: str, setup: str) -> str:
    """Key of an input that was learnt of one set-up, which may depart from others with the same shutoff."""
    return f"{name}[setups.{setup}]"


def _stated(setup: SetUp) -> tuple[dict[str, tuple[Stated, str]], dict[str, str]]:
    """What the department states, quantity to statement and role; and who owns it."""
    found: dict[str, tuple[Stated, str]] = {}
    owners: dict[str, str] = {}
    entries = {"site": setup.site, "line": setup.line, "shutoff": setup.shutoff, "nozzle": setup.nozzle}
    for kind, entry in entries.items():
        for name, stated in (entry.stated() if entry is not None else {}).items():
            found[name] = (stated, _ROLE[kind])
            if kind != "site":
                owners[name] = f"{kind}s.{setup.owners[kind]}"
    for name, stated in setup.measured.items():
        found[name] = (stated, "unknown")
        owners[name] = f"setups.{setup.name}"
    if BREAKUP in found and FACTOR in found:
        del found[FACTOR]  # what was measured behind the valve holds all that the valve does
    return found, owners


def _by_style(setup: SetUp, given: Mapping[str, Any]) -> bool:
    """Whether the shutoff acts by what is assumed of its style."""
    styled = setup.shutoff is not None and setup.shutoff.style is not None
    return styled and not {FACTOR, BREAKUP} & given.keys()


def _believed(setup: SetUp, asked: Choices) -> list[str]:
    """Names in the table of beliefs that act on a set-up and on what is asked of it."""
    laws = asked.laws
    names = [*STREAM, *setup.nozzle.believed, "supply.reaction_excess"]
    names += [name for name in OF_LAWS if BELIEFS[name].acts_under(laws)]
    through_line = asked.drive == "pump" or not asked.outputs or NEEDED in asked.outputs
    if (
        through_line
        and setup.line is not None
        and any(setup.hoses[part.hose].scatter > 0 for part in setup.line.sections)
    ):
        names.append("supply.hose_deviation")
    if BREAKUP in setup.measured:
        names = [name for name in names if name not in BEFORE_BREAKUP]

    def acts(belief: Belief) -> bool:
        return not belief.acts_on or not asked.outputs or bool({*belief.acts_on} & {*asked.outputs})

    return [name for name in names if name in BELIEFS and acts(BELIEFS[name])]


def _stated_belief(name: str, belief: Belief | None, overrides: Mapping[str, Stated]) -> Belief | Stated:
    assert belief is not None
    override = overrides.get(name)
    if override is None:
        return belief
    return override if override.distribution is None else belief.stated_as(override)


def _speaking(
    beliefs: Mapping[str, Belief | Stated], given: Mapping[str, tuple[Stated, str]]
) -> dict[str, Parameter | float | str]:
    """Who speaks for each input: a parameter, or the value that it is fixed at."""
    found: dict[str, Parameter | float | str] = {}
    for name, belief in beliefs.items():
        found[name] = belief.parameter() if isinstance(belief, Belief) else belief.middle
    for name, (stated, role) in given.items():
        if stated.distribution is None:
            found[name] = stated.middle
            continue
        known = beliefs.get(name) or BELIEFS.get(name)
        base = known if isinstance(known, Belief) else Belief(name, stated.distribution, role, "assumption", "stated")
        found[name] = base.stated_as(replace(stated, role=stated.role or base.role)).parameter()
    return found


def _check_acting(setup: SetUp, asked: Choices, speaking: Mapping[str, Any]) -> None:
    """Refuse overrides and variations of what acts on nothing here."""
    replaced = BREAKUP in setup.measured
    for name in (*asked.overrides, *(parameter.name for parameter in asked.vary)):
        if replaced and name in BEFORE_BREAKUP:
            raise InputError(f"{name}: acts on nothing, for the breakup length of setups.{setup.name} is measured")
        if asked.drive == "pump" and name in ("nozzle_pressure", "supply.nozzle_pressure_error"):
            raise InputError(f"{name}: this study sets the pump, which gives the nozzle its pressure; vary "
                             "supply.pump_pressure_error")  # fmt: skip
        if asked.drive == "nozzle" and name in ("supply.pump_pressure", "supply.pump_pressure_error"):
            raise InputError(f"{name}: this study holds the pressure at the nozzle; vary supply.nozzle_pressure_error")


def _as_known(parameter: Parameter, speaking: Mapping[str, Any]) -> Parameter:
    """A choice of valve model in which the factor that is known of the shutoff stands for that which is not.

    The turbulence of a shutoff is known at the exit or before the tip, whichever of the two a question names.
    """
    if parameter.name != VALVE or not isinstance(parameter.distribution, Choice):
        return parameter
    other = {"upstream factor": "factor"} if FACTOR in speaking else {"factor": "upstream factor"}
    values = tuple(dict.fromkeys(other.get(str(value), value) for value in parameter.distribution.values))
    if len(values) < len(parameter.distribution.values):
        raise InputError(f"{VALVE}: holds both factor and upstream factor, of which a set-up knows one")
    return replace(parameter, distribution=replace(parameter.distribution, values=values))


def _split(speaking: Mapping[str, Any], asked: Choices) -> tuple[list[Parameter], dict[str, Any]]:
    varied = {parameter.name: parameter for parameter in asked.vary}
    found = {**speaking, **asked.fixed, **varied}
    fixed = {name: value for name, value in found.items() if not isinstance(value, Parameter)}
    return [value for value in found.values() if isinstance(value, Parameter)], fixed


def model_of(setup: SetUp, inputs: Inputs, choices: Choices | None = None) -> SetUpModel:
    """The model of a set-up: what a sample does not vary stands at its median."""
    asked = choices or Choices()
    return SetUpModel(setup, inputs.medians, asked.outputs, asked.drive)


def space_of(inputs: Inputs, choices: Choices, **run: Any) -> ParameterSpace:
    """The space of a set-up's uncertain inputs; `run` gives title, units, seed, base_samples, replicates."""
    return ParameterSpace(inputs.parameters, inputs.latents, choices.outputs, fixed=inputs.fixed, **run)


# --------------------------------------------------------------------------------------------------------
# Several set-ups at once


def joint_draws(
    inputs: Sequence[Inputs], count: int, seed: int, learnt: Learnt | None = None
) -> list[dict[str, NDArray[Any]]]:
    """Draws that several set-ups share: an entry, a belief or the weather has one value in a draw.

    The draws of a set-up are the same whichever set-ups are drawn beside it.

    Parameters
    ----------
    inputs : sequence of Inputs
    count : int
        Draws, a power of two.
    seed : int
    learnt : Learnt, optional
        What it holds is drawn from its joint draws.

    Returns
    -------
    list of dict
        For each of `inputs`: name to values, shape (count,).
    """
    parameters: dict[str, Parameter] = {}
    latents: dict[str, Latent] = {}
    for one in inputs:
        latents |= {latent.name: latent for latent in one.latents}
        for parameter in one.parameters:
            keyed = replace(parameter, name=one.key(parameter.name))
            if learnt is not None and keyed.name in learnt.draws:  # its ties are those of the joint draws
                keyed = replace(keyed, loadings={}, group=None)
            other = parameters.get(keyed.name, keyed)  # a set-up without a shutoff ties its tip to nothing: others may
            parameters[keyed.name] = keyed if len(keyed.loadings) >= len(other.loadings) else other
    used = {name for parameter in parameters.values() for name in parameter.loadings}
    causes = tuple(latent for name, latent in latents.items() if name in used)
    every = ParameterSpace(tuple(parameters.values()), causes, seed=seed)
    check_power("draws", count)
    values = every.transform(named_points(count, every.columns, seed))
    if learnt is not None:
        values |= learnt.drawn(count, seed, tuple(parameters))
    return [{p.name: values[one.key(p.name)] for p in one.parameters} for one in inputs]


def owners_of(inputs: Iterable[Inputs]) -> dict[str, str]:
    """Key of each owned input to its owner."""
    return {one.key(name): owner for one in inputs for name, owner in one.owners.items()}
