"""What a report says of its method and its limits: words about each law, and paragraphs from the report card.

A study that says more gives its own paragraphs to the `Report`. The words about a law say what is solid, what is
fitted and what is assumed, and cite; a study names the laws it used by their keys.
"""

from collections.abc import Iterable, Sequence

from jetsim.report.card import NOT_APPLICABLE, ReportCard

LAWS = {
    "discharge": "Flow and speed at the tip follow from the nozzle pressure, the tip's area and the discharge and "
    "velocity coefficients (solid); a tip's coefficients lie near 0.96 to 0.995 [@freeman1889; @murakami1966].",
    "reaction": "Nozzle reaction is mass flow times speed (solid); forces measured on firefighters exceed it by up to "
    "50 % [@nguyen2024].",
    "nozzle kinds": "Kinds of nozzles are those of the standard [@astm_f1546].",
    "supply": "Pump pressure is nozzle pressure plus hose friction with the square of the flow, height and appliance "
    "losses (form solid, coefficients from the trade) [@handbooks].",
    "turbulence": "The turbulence intensity at the exit is that of a clear waterway (0.07, assumed) times the valve "
    "turbulence factor (assumed until a field test measures it).",
    "valve decay": "Turbulence of a valve comes from its loss and decays to the tip (form published, length scale "
    "assumed) [@kitamura2014].",
    "breakup": "Breakup length over tip diameter falls with a power of the turbulence intensity (fitted to jets from "
    "pipes) [@kusui1969; @phinney1975; @sallam2002]; its exponent is this subject's weakest published number.",
    "air_stream": "The flight follows one law for drops in the air that they drag along (three constants, fitted) "
    "[@theobald1981; @lueger].",
    "two_stage": "The flight has no drag up to breakup and that of a drop of fixed size after it (fitted to range "
    "alone) [@theobald1981].",
    "vacuum": "The flight has no drag at all (for contrast).",
    "drops": "Drag of a drop follows that of a sphere, flattened drops more [@abraham1970; @gunn1949].",
    "effective reach": "A good stream is one that holds together by published criteria [@freeman1889]; drop sizes "
    "behind it are assumed to be lognormal.",
    "sobol": "Shares of variance are Sobol' indices by pick-and-freeze estimators over independent replicates "
    "[@sobol2001; @saltelli2002; @azzini2021].",
    "ranking": "Inputs are compared in pairs over the replicates, adjusted for many comparisons [@holm1979].",
    "calibration": "Unknowns are learnt by sampling their posterior with random walks about its normal "
    "approximation [@cotter2013].",
}
WATER_AND_AIR = "Properties of water and air follow standard formulas [@kell1975; @iapws_r1_76; @atmosphere1976]."


def stream_laws(drag_models: Iterable[str], *more: str) -> list[str]:
    """Keys of the laws that every simulated stream uses, and of further ones; a law from outside has no words."""
    flights = [law for law in drag_models if law in LAWS]
    return ["discharge", "reaction", "turbulence", "breakup", *flights, "drops", *more]


def sentence(text: str) -> str:
    """A text with a capital and a full stop."""
    shown = text.strip()
    return f"{shown[:1].upper()}{shown[1:]}{'' if shown.endswith(('.', '!', '?')) else '.'}" if shown else ""


def model_words(laws: Sequence[str]) -> list[str]:
    """Paragraph of the model from the keys of its laws; empty where a study names none.

    Raises
    ------
    ValueError
        A law without words.
    """
    unknown = [law for law in laws if law not in LAWS]
    if unknown:
        raise ValueError(f"no words for the laws {unknown}; known: {', '.join(LAWS)}")
    return [" ".join([*(LAWS[law] for law in dict.fromkeys(laws)), WATER_AND_AIR])] if laws else []


def from_card(card: ReportCard, laws: Sequence[str]) -> list[str]:
    """Paragraphs of a method: the model, what was sampled, and whether it has settled."""
    count = len(card.inputs)
    believed = f" {count} input{'s vary' if count != 1 else ' varies'} as believed; the table says on what each rests."
    sampled = f"{sentence(card.method)} {card.runs:,} runs in all, seed {card.seed}.{believed if count else ''}"
    intervals, convergence = ("" if t == NOT_APPLICABLE else t for t in (card.intervals, card.convergence))
    settled = " ".join(sentence(text) for text in (intervals and f"intervals: {intervals}", convergence))
    more = " ".join(sentence(f"{label}: {words}") for label, words in card.more.items())
    return [text for text in (*model_words(laws), sampled, settled.strip(), more) if text]


def limits_of(card: ReportCard) -> list[str]:
    """Limits that the report card itself shows: assumed inputs, laws not tried, failed runs."""
    assumed = [line.name for line in card.inputs if line.basis == "assumption"]
    limits = []
    if assumed:
        limits.append(
            f"{len(assumed)} of {len(card.inputs)} inputs rest on assumptions, not on measurements: "
            f"{'; '.join(assumed)}."
        )
    if not card.structural_alternatives:
        limits.append("No other law of the stream was tried in this study: an error of the laws themselves is not in "
                      "its ranges.")  # fmt: skip
    if card.failures:
        limits.append(f"{card.failures:,} of {card.runs:,} runs gave no result.")
    return limits
