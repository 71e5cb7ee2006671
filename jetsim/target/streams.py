"""The streams of a target study: the one that the study file is about, and one to compare it with.

The comparison is the same study with other equipment: whatever the file does not state again holds for both, and both
meet the same draws of weather and of what is not known. Only a measured breakup length stays with the stream that it
was measured on.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from jetsim.errors import InputError
from jetsim.experiment.ensemble import plain_design
from jetsim.experiment.space import ParameterSpace
from jetsim.experiment.tables import Table
from jetsim.hydraulics.nozzle_kinds import ConstantFlow
from jetsim.stream import Stream, equivalent_fields
from jetsim.target.task import TABLES, Task, rising

Array = NDArray[np.float64]

COMPARISON, NAME = "comparison", "stream"
EXTRA = ("scenario", NAME, COMPARISON, *TABLES)
# What the study searches, so that no stream can state it.
SEARCHED = ("nozzle_pressure", "elevation", "target_height", "delivery_distance")
# What a rating sets, so that a fog nozzle cannot state it as well.
_RATED = ("tip_diameter", "discharge_coefficient", "velocity_coefficient", "waterway_diameter", "pressure_tap")
_COHERENCE = "equivalent_diameter_ratio"
# What was measured on the first stream and belongs to it alone.
MEASURED = "breakup_length"


@dataclass(frozen=True)
class Candidate:
    """A stream that is to meet the target.

    Attributes
    ----------
    name : str
        What sentences and figures call it.
    space : ParameterSpace
        Its fixed fields, and those that vary.
    pressures : ndarray
        Nozzle pressures to try [Pa], rising.
    own : tuple of str
        Parameters that it does not share with the first stream.
    """

    name: str
    space: ParameterSpace
    pressures: Array
    own: tuple[str, ...] = ()

    @property
    def is_measured(self) -> bool:
        """Whether its breakup length was measured and not estimated."""
        return MEASURED in self.space.fixed or MEASURED in self.space.names

    @property
    def assumption(self) -> str:
        """What the study says of the straight stream of a fog nozzle, in words; empty for a smooth bore."""
        if _COHERENCE not in self.own:
            return ""
        given = self.space.parameter(_COHERENCE)
        return (
            f"its stream flies like that of a smooth bore whose diameter is {given.describe()} times that of one with "
            f"its flow and speed ({given.basis}: {given.source})"
        )

    def check(self) -> None:
        """Refuse what is no stream at the medians of all that varies.

        Raises
        ------
        InputError
        """
        for name in SEARCHED:
            if name in self.space.fixed or name in self.space.names:
                raise InputError(f"{name}: is not for the study file to state, this study searches it")
        Stream.from_values({**self.space.fixed, **self.space.medians(), "nozzle_pressure": self.pressures})


def read_candidates(content: Mapping[str, Any], task: Task, where: str) -> list[Candidate]:
    """Read the stream of a study file, and the one that it is compared with where there is one.

    Parameters
    ----------
    content : mapping
        Of the study file.
    task : Task
    where : str
        Leads every error.

    Raises
    ------
    InputError
        One line: the dotted name of the place, the value, and what is allowed.
    """
    space = ParameterSpace.from_mapping(content, extra=EXTRA, where=where)
    streams = [_located(where, lambda: _first(space, task))]
    if COMPARISON in content:
        streams.append(_located(f"{where}: {COMPARISON}", lambda: _second(content, task)))
    return streams


def _located(where: str, read: Any) -> Candidate:
    try:
        found: Candidate = read()
        found.check()
    except InputError as error:
        raise InputError(f"{where}: {error}") from None
    return found


def _first(space: ParameterSpace, task: Task) -> Candidate:
    return Candidate(Table("", space.extra).text(NAME, "this stream"), space, task.pressures)


def _second(content: Mapping[str, Any], task: Task) -> Candidate:
    """The stream to compare with: the first one's tables, with what the comparison states in their place.

    A breakup length that was measured on the first stream is not handed over.
    """
    table = Table("", Table("", content).table(COMPARISON).content)
    table.only(("name", "rated_flow", "rated_pressure", "nozzle_pressures", "fixed", "parameters"))
    stated = {key: table.table(key).content if key in table else {} for key in ("fixed", "parameters")}
    rating = _rating(table)
    if rating and _COHERENCE not in stated["parameters"]:
        raise InputError(
            f"parameters.{_COHERENCE} is missing: no measurement of a fog nozzle's straight stream was found, so the "
            "study must state what it assumes, such as a uniform distribution from 0.3 to 0.9"
        )
    for name in _RATED if rating else ():
        if any(name in given for given in stated.values()):
            raise InputError(f"{name}: is set by rated_flow and rated_pressure, so it cannot be given as well")
    dropped = {MEASURED, *stated["fixed"], *stated["parameters"], *(_RATED if rating else ())}
    merged = {key: value for key, value in content.items() if key != COMPARISON}
    for key, given in stated.items():
        merged[key] = {**{n: v for n, v in content.get(key, {}).items() if n not in dropped}, **given}
    space = _without_prefix(_used_latents(merged))
    pressures = rising(table, "nozzle_pressures", "nozzle_pressure") if "nozzle_pressures" in table else task.pressures
    space = replace(space, fixed={**space.fixed, **rating})
    return Candidate(table.text("name"), space, pressures, tuple(stated["parameters"]))


def _rating(table: Table) -> dict[str, float]:
    """Fields that a fog nozzle's rating sets; none for a smooth bore."""
    if "rated_flow" not in table and "rated_pressure" not in table:
        return {}
    flow = table.measure("rated_flow", "flow").check("supply.rated_flow")
    pressure = table.measure("rated_pressure", "pressure").check("supply.rated_pressure")
    same = equivalent_fields(ConstantFlow(flow, pressure), pressure)
    return {name: float(same[name]) for name in ("tip_diameter", "discharge_coefficient", "velocity_coefficient")}


def _used_latents(content: Mapping[str, Any]) -> dict[str, Any]:
    """The tables without shared causes of which nothing is left."""
    loaded = {name for p in content["parameters"].values() if isinstance(p, Mapping) for name in p.get("loadings", {})}
    latents = {name: given for name, given in content.get("latents", {}).items() if name in loaded}
    return {**{k: v for k, v in content.items() if k != "latents"}, **({"latents": latents} if latents else {})}


def _without_prefix(content: Mapping[str, Any]) -> ParameterSpace:
    """A space whose errors name no place of their own."""
    try:
        return ParameterSpace.from_mapping(content, extra=EXTRA, where="")
    except InputError as error:
        raise InputError(str(error).removeprefix(": ")) from None


def draws_of(candidates: list[Candidate], count: int) -> list[xr.Dataset]:
    """The same draws for all candidates, each with its own parameters, along ``sample``.

    An input that several candidates vary has one quantile in a draw, whatever its distributions.
    """
    first = candidates[0].space
    known = {latent.name: latent for c in candidates for latent in c.space.latents}
    every = [parameter for c in candidates for parameter in c.space.parameters]
    joined = {p.name: p for p in sorted(every, key=lambda p: p.has_own_part)}
    both = replace(first, latents=tuple(known.values()), parameters=tuple(joined.values()), fixed={})
    unit = plain_design(both, count).unit
    place = {name: number for number, name in enumerate(both.columns)}
    parts = [c.space.transform(unit[:, [place[name] for name in c.space.columns]]) for c in candidates]
    return [xr.Dataset({name: ("sample", values) for name, values in part.items()}) for part in parts]
