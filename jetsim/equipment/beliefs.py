"""The one table of what is believed of each unknown of the physics, and on what evidence.

A department's own statement stands before a belief; a study may override one, and its report then says so. No study
file repeats one.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from jetsim import units
from jetsim.equipment.reading import Stated
from jetsim.experiment.distributions import Distribution, LogNormal, LogUniform, Normal, Uniform
from jetsim.experiment.parameters import Latent, Parameter
from jetsim.experiment.studyfile import read_distribution
from jetsim.experiment.tables import Table
from jetsim.hydraulics.crew import MEASURED_EXCESS
from jetsim.hydraulics.nozzle_kinds import FLOW_RATIO, FOG_DIAMETER_RANGE, FOG_VELOCITY_COEFFICIENT
from jetsim.jet.breakup import BREAKUP_SCATTER, EXPONENT_RANGE, OBSERVED_ONSET
from jetsim.jet.drag import DROP_SCATTER
from jetsim.jet.turbulence import TIP_SHARE, VALVE_STYLES

MPH = float(units.to_si(1.0, "mph"))
SPRAY = ("effective_reach", "effective_reach_at_best", "deciding_landing", "delivered_fraction")


@dataclass(frozen=True)
class Belief:
    """What is believed of one unknown.

    Attributes
    ----------
    name : str
        Of the quantity.
    distribution : Distribution
        SI.
    role, basis, source : str
        As for `jetsim.experiment.parameters.Parameter`.
    unit : str
        In which the distribution is told.
    benchmark : str
        Script in ``benchmarks/`` that gave it; empty where none did.
    loadings : mapping
        Shared causes that tie it to others, see `LATENTS`.
    group : str, optional
        Closed group of inputs that are ranked together too.
    acts_on : tuple of str
        The only outputs that it acts on; empty: on all that the stream gives.
    under : mapping of str to tuple of str
        Laws under which it acts: the choice of law to those of its options that read this input. Empty: under all.
    """

    name: str
    distribution: Distribution
    role: str
    basis: str
    source: str
    unit: str = "1"
    benchmark: str = ""
    loadings: Mapping[str, float] = field(default_factory=dict)
    group: str | None = None
    acts_on: tuple[str, ...] = ()
    under: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def acts_under(self, laws: Mapping[str, Iterable[str]]) -> bool:
        """Whether one of the laws in use, by choice of law, reads it."""
        return not self.under or any(set(options) & {*laws.get(name, ())} for name, options in self.under.items())

    def parameter(self) -> Parameter:
        """The belief as an uncertain input."""
        return Parameter(
            self.name, self.distribution, self.role, self.basis, self.source, self.unit, self.loadings, self.group
        )

    def stated_as(self, stated: Stated) -> "Belief":
        """The same unknown as somebody states it; its ties to others are kept."""
        assert stated.distribution is not None
        return replace(
            self,
            distribution=stated.distribution,
            unit=stated.unit,
            role=stated.role or self.role,
            basis=stated.basis or "assumption",
            source=stated.source or "as stated, without a source",
        )


# What discharge coefficient and turbulence share, and what the two constants of the air stream share.
LATENTS = MappingProxyType(
    {
        latent.name: latent
        for latent in (
            Latent("waterway_quality", "unknown", "published",
                   "a higher Cd goes with a less turbulent jet: Murakami & Katayama 1966, J. Fluids Eng. 88, 706 "
                   "(abstract read); a rough waterway lowers the one and raises the other, by 0.7 each (assumed)",
                   "valve"),
            Latent("air_stream_fit", "unknown", "published",
                   "larger drops in a wider air stream throw as far: the fit ties the two constants by 0.95, from "
                   "resampling tips", "flight"),
        )
    }
)  # fmt: skip

# Laws that read what is believed of the valve's loss, of its decay, and of the two-stage flight.
_BY_LOSS = MappingProxyType({"valve_model": ("loss", "decaying loss")})
_BY_DECAY = MappingProxyType({"valve_model": ("decaying loss",)})
_TWO_STAGE = MappingProxyType({"drag_model": ("two_stage",)})

_TABLE = (
    # Nozzle
    Belief("discharge_coefficient", Normal(0.975, 0.01, 0.93, 0.998), "unknown", "published",
           "smooth bores 0.96 to 0.995, handbooks (from memory)", loadings={"waterway_quality": 0.7}, group="valve"),
    Belief("equivalent_diameter_ratio", Uniform(*FOG_DIAMETER_RANGE), "unknown", "assumption",
           "no measurement of how a fog nozzle's straight stream holds together was found in print; wide enough "
           "to hold what practice tells", benchmark="practice"),
    Belief("velocity_coefficient", Normal(FOG_VELOCITY_COEFFICIENT, 0.015, 0.9, 1.0), "unknown", "assumption",
           "of a fog nozzle: about what the handbooks' reaction formula hides (from memory); no measurement was found"),
    Belief(FLOW_RATIO, Normal(1.0, 0.03, 0.9, 1.1), "unknown", "assumption",
           "a fog nozzle passes its rated flow within some 3 %; a flow test settles it"),
    Belief("supply.tip_wear", Normal(1.0, 0.003, 0.99, 1.01), "unknown", "assumption",
           "machining and wear of the opening, within half a percent of its diameter; a gauge settles it"),
    # Shutoff and turbulence
    Belief("turbulence_constants.tip_share", Uniform(*TIP_SHARE), "unknown", "assumption",
           "share of a clear tip's turbulence that arises in the tip, out of the valve's reach: nobody has measured it",
           group="valve", under=_BY_LOSS),
    Belief("valve_loss_coefficient", LogUniform(0.03, 2.0), "unknown", "assumption",
           "full ball 0.05 after Weisbach, read in a handbook table; up to plunger 0.5 to 2, guessed", group="valve",
           under=_BY_LOSS),
    Belief("valve_distance", Uniform(3.0, 12.0), "unknown", "assumption",
           "3 to 12 waterway diameters; a tape measure settles it", group="valve", under=_BY_DECAY),
    Belief("turbulence_constants.valve_efficiency", Uniform(0.2, 0.9), "unknown", "assumption",
           "energy balance at the valve; the share is assumed", group="valve", under=_BY_LOSS),
    Belief("turbulence_constants.decay_exponent", Uniform(1.0, 1.4), "unknown", "published",
           "6/5 by Kitamura et al. 2014, J. Fluid Mech. (abstract read); range assumed", group="valve",
           under=_BY_DECAY),
    Belief("turbulence_constants.eddy_size", Uniform(0.05, 0.3), "unknown", "assumption",
           "size of the eddies behind a valve over waterway diameter", group="valve", under=_BY_DECAY),
    Belief("turbulence_constants.dissipation_constant", Uniform(0.4, 1.2), "unknown", "assumption",
           "range of the dissipation constant in decaying turbulence (from memory)", group="valve", under=_BY_DECAY),
    Belief("clear_turbulence_intensity", LogNormal(0.07, 0.25), "unknown", "assumption",
           "level that turns the breakup law into the breakup lengths of Theobald's fire tips (1981)"),
    Belief("breakup_constants.scale", LogNormal(1.0, BREAKUP_SCATTER), "unknown", "published",
           "five fire tips of Theobald (1981) scatter by 0.16 about the breakup law, pipe jets by 0.27"),
    Belief("breakup_constants.turbulence_exponent", Uniform(*EXPONENT_RANGE), "unknown", "published",
           "estimates between 0.05 and 0.57; rests almost wholly on one study of rough pipes"),
    # Flight
    Belief("flight_constants.drop_ratio", LogNormal(0.2503, 0.33), "unknown", "published",
           "fit to 47 throws of Theobald (1981) and to vertical heights by Lueger's formula (from memory); spread from "
           "resampling tips", benchmark="flight_uncertainty", loadings={"air_stream_fit": 0.975}, group="flight"),
    Belief("flight_constants.spread", LogNormal(0.011166, 0.20), "unknown", "published",
           "the same fit", benchmark="flight_uncertainty", loadings={"air_stream_fit": 0.975}, group="flight"),
    Belief("flight_constants.quality_exponent", Normal(1.26, 0.40, 0.0, 2.5), "unknown", "published",
           "the same fit; resampling tips gives 0.4 to 1.7 in nine of ten", benchmark="flight_uncertainty",
           group="flight"),
    Belief("flight_constants.drop_scale", LogNormal(1.0, DROP_SCATTER), "unknown", "published",
           "what the law leaves of the scatter of Theobald's ranges, 3.8 %; holds his errors of measurement too",
           benchmark="flight_uncertainty", group="flight"),
    Belief("flight_constants.drop_spread", Uniform(0.49, 0.75), "unknown", "assumption",
           "0.62 holds Freeman's effective reach (1889, from memory) in moderate head wind, 0.75 in still air; the low "
           "end is assumed", benchmark="drop_spread", group="flight", acts_on=SPRAY),
    Belief("flight_constants.farthest_share", Uniform(0.90, 0.99), "unknown", "assumption",
           "which of the drops the flight's law stands for is fixed by nothing but this assumption", group="flight",
           acts_on=SPRAY),
    Belief("flight_constants.wind_frame", Uniform(0.0, 1.0), "unknown", "assumption",
           "what wind does to the air that the stream drags along: nothing was measured; the two ends of the bracket",
           group="flight"),
    Belief("flight_constants.breakup_exponent", Normal(0.971, 0.25), "unknown", "published",
           "fit to 47 throws of Theobald (1981) (two-stage law); standard deviation from resampling tips",
           group="flight", under=_TWO_STAGE),
    # Line and pump
    Belief("supply.hose_deviation", Normal(0.0, 1.0, -2.5, 2.5), "unknown", "assumption",
           "each hose scatters as its coefficient_scatter says; a report of 2012 found large scatter (abstract read)"),
    # Crew
    Belief("supply.reaction_excess", Uniform(*MEASURED_EXCESS), "unknown", "published",
           "measured above the formula by up to 50 %, Nguyen et al. 2024, Fire Technology 60:1627 (abstract read)",
           acts_on=("supply.crew_force",)),
    # Weather
    Belief("wind_along", Normal(0.0, 4 * MPH), "environment", "assumption", "light wind from any side", unit="mph"),
    Belief("wind_across", Normal(0.0, 4 * MPH), "environment", "assumption", "light wind from any side", unit="mph"),
)  # fmt: skip

# What stands between the stream and what somebody reads off a mark or a gauge.
_READINGS = (
    Belief("trial.observed_onset", LogNormal(*OBSERVED_ONSET, 0.1, 5.0), "unknown", "assumption",
           "where an eye sees the stream break up, over the breakup distance of the law; wide enough to hold what "
           "practice tells", benchmark="practice"),
    Belief("trial.style_spread", LogNormal(0.08, 0.5, 0.005, 0.5), "unknown", "assumption",
           "how much two shutoffs of one style differ"),
    Belief("trial.gauge_error", Normal(0.0, 0.02, -0.1, 0.1), "unknown", "assumption", "a gauge within 2 %"),
    Belief("trial.meter_error", Normal(0.0, 0.02, -0.1, 0.1), "unknown", "assumption", "a flowmeter within 2 %"),
    Belief("trial.wind_error", Normal(0.0, 0.2, -0.8, 0.8), "unknown", "assumption",
           "wind is read low and beside the stream"),
    Belief("trial.day_effect", Normal(0.0, 0.03, -0.15, 0.15), "unknown", "assumption",
           "what a day does to the reach of all its throws: marks laid anew, air, supply"),
    Belief("trial.reach_scatter", LogNormal(0.025, 0.4, 0.003, 0.2), "unknown", "assumption",
           "reach of one stream from throw to throw"),
    Belief("trial.breakup_scatter", LogNormal(0.10, 0.4, 0.01, 0.5), "unknown", "assumption",
           "seen breakup of one stream from throw to throw"),
)  # fmt: skip

READINGS = tuple(belief.name for belief in _READINGS)
BELIEFS = MappingProxyType({belief.name: belief for belief in (*_TABLE, *_READINGS)})

# Beliefs that hold for every stream, whatever nozzle, shutoff or line it comes from.
STREAM = (
    "clear_turbulence_intensity",
    "breakup_constants.scale",
    "breakup_constants.turbulence_exponent",
    "flight_constants.drop_ratio",
    "flight_constants.spread",
    "flight_constants.quality_exponent",
    "flight_constants.drop_scale",
    "flight_constants.drop_spread",
    "flight_constants.farthest_share",
    "flight_constants.wind_frame",
    "wind_along",
    "wind_across",
)
# Beliefs that act only where a question tries, or takes, a law that reads them.
OF_LAWS = tuple(name for name, belief in BELIEFS.items() if belief.under)
# What a measured breakup length replaces.
BEFORE_BREAKUP = (
    "valve_turbulence_factor",
    "valve_upstream_factor",
    "valve_model",
    "breakup_model",
    *(name for name in OF_LAWS if "valve_model" in BELIEFS[name].under),
    "clear_turbulence_intensity",
    "breakup_constants.scale",
    "breakup_constants.turbulence_exponent",
)


def latents_of(parameters: Iterable[Parameter]) -> tuple[tuple[Parameter, ...], tuple[Latent, ...]]:
    """Parameters with those ties that tie something, and the latents that are left.

    A shared cause of which a single input is left ties nothing: the input keeps its distribution and loses the tie.
    """
    given = tuple(parameters)
    counts: dict[str, int] = {}
    for parameter in given:
        for name in parameter.loadings:
            counts[name] = counts.get(name, 0) + 1
    tied = {name for name, count in counts.items() if count > 1}
    kept = tuple(replace(p, loadings={n: w for n, w in p.loadings.items() if n in tied}) for p in given)
    return kept, tuple(latent for name, latent in LATENTS.items() if name in tied)


def style_belief(name: str) -> Belief:
    """The assumed turbulence factor of a named style of shutoff, before the tip."""
    style = VALVE_STYLES[name]
    factor = LogNormal(style.median, style.ln_sd)
    return Belief("valve_upstream_factor", factor, "unknown", style.basis, f"{name}: {style.source}",
                  loadings={"waterway_quality": -0.7}, group="valve")  # fmt: skip


def style_loss(name: str) -> Belief:
    """The assumed loss coefficient of a named style of shutoff."""
    style = VALVE_STYLES[name]
    distribution, _ = read_distribution(Table(name, style.loss_coefficient), "valve_loss_coefficient")
    source = f"{name}: {style.source.partition('; ')[2]}"
    return replace(BELIEFS["valve_loss_coefficient"], distribution=distribution, source=source)
