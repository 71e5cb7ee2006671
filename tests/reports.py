"""Reports in both unit systems from one flight, and what a reader must not meet in them."""

import base64
import html
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, nullcontext
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from jetsim.report import style
from jetsim.report.document import MOST_LEAD, Report, render
from jetsim.study import Findings, run

ROOT = Path(__file__).resolve().parents[1]
CUSTOMARY = re.compile(r"(?<![\w/])(?:psi|ft|gpm|lbf|mph|degF|inHg)(?!\w)|\d[ -](?:inch|ft|in(?=[.,;:)\]]|$))|\[in\]")
_NUMBER = re.compile(r"\d[\d,]*(?:\.\d+)?")
_MEASURED = re.compile(r"\d (?:psi|bar|kPa|ft|m|gpm|L/min|lbf|N|kN|mph|m/s)\b")
# What only the methods and the fine tables may say.
TECHNICAL = (
    "own part", "pawn", "sobol", "index", "indices", "variance", "prior", "posterior", "emulator", "correlation",
    "coefficient", "turbulence factor", "structural", "first-order", "total share", "rmse", "holm", "p-value",
    "standard deviation", "quantile", "median", "latent", "exponent", "weber", "coherence", "acceptance", "draws",
    "converged", "stochastic", "valve closure", "adjusted p", "runs", "stretched", "rule for the shutoff",
    "choices of law",
)  # fmt: skip
# A picture of one pixel.
DOT = base64.b64decode("iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR42mP4DwABAQEAHLCMmQAAAABJRU5ErkJggg==")


@contextmanager
def without_pictures(laid_out: bool = False) -> Iterator[None]:
    """Figures are made, and laid out where asked, but not drawn: a pixel stands in for each. Also decorates a test."""
    with pytest.MonkeyPatch.context() as patch:
        if not laid_out:
            patch.setattr(style.Plot, "of", _as_it_is)
        patch.setattr(style.Plot, "begun", lambda plot: plot)
        patch.setattr(style.Plot, "_drawn", lambda plot, *kind: DOT)
        yield


def _as_it_is(words: style.Words, figure: Figure, data: Mapping[str, Any]) -> style.Plot:
    """A plot whose figure nobody looks at: its ticks are not even made."""
    return style.Plot(words.name, words.title, words.caption, figure, data)


def in_both_systems(
    module: ModuleType,
    argv: list[str],
    writer: str = "written",
    start: Callable[[list[str]], int] | None = None,
    drawn: bool = False,
) -> dict[str, Findings]:
    """Run a study once, and write what it found in US customary and in metric units.

    Figures are those of a finished study where `drawn`; else those in metric units, which are searched, are laid out.
    """
    kept: list[Any] = []
    write = getattr(module, writer)

    def written(*found: Any) -> Any:
        with nullcontext() if drawn else without_pictures(laid_out=found[-1] == "si"):
            kept.append((found, write(*found)))
        return kept[-1][1]

    with pytest.MonkeyPatch.context() as patch, nullcontext() if drawn else without_pictures(laid_out=True):
        patch.setattr(module, writer, written)
        assert (start(argv) if start else run(module.STUDY, argv)) == 0
        (((*found, system), _),) = kept
        written(*found, {"us": "si", "si": "us"}[system])
    both = {given[-1]: one for given, one in kept}
    return {system: Findings(one) if isinstance(one, Report) else one for system, one in both.items()}


def faults(both: dict[str, Findings]) -> list[str]:
    """Everything that a reader must not meet in a report, in either system."""
    found = [f"{system}: {fault}" for system, one in both.items() for fault in lead_faults(one.report)]
    return [*found, *customary(both["si"]), *reference_faults(both["us"].report)]


@cache
def names_in_use() -> list[str]:
    """What the demo calls its things, and what it cites: its own words in any edition."""
    paths = [path for folder in ("studies/inputs", "tests") for path in (ROOT / folder).glob("*.toml")]
    files = [tomllib.loads(path.read_text(encoding="utf-8")) for path in paths]
    return sorted({text for content in files for text in _texts(content)}, key=len, reverse=True)


def _texts(value: Any, key: str = "") -> Iterator[str]:
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _texts(inner, name)
    elif isinstance(value, str) and key in ("label", "source", "scenario"):
        yield value


def without_names(text: str) -> str:
    """A text without names of the demo, and without the marks of sources and of explained terms in them."""
    bare = re.sub(r" ?\[\d+(?:, \d+)*\]", "", html.unescape(re.sub(r"</?(?:dfn|abbr)[^>]*>", "", text)))
    return re.sub("|".join(map(re.escape, names_in_use())), "NAME", bare, flags=re.IGNORECASE)


def lead_faults(report: Report) -> list[str]:
    """At most five sentences, each with one number that has its unit and spread, in words of the trade."""
    lead = [without_names(sentence) for sentence in report.lead]
    found = [f"{len(lead)} sentences"] if not 0 < len(lead) <= MOST_LEAD else []
    for sentence in lead:
        if re.search(r"[.!?] [A-Z]", sentence):
            found.append(f"more than one sentence: {sentence}")
        # "39 of 100" is one number.
        if len(_NUMBER.findall(re.sub(r"\([^()]*\)| of 100\b", "", sentence))) > 1:
            found.append(f"more than one number: {sentence}")
        if _MEASURED.search(sentence) and not re.search(r"\([^()]*\d", sentence):
            found.append(f"a number without its spread: {sentence}")
        found += [f"{word!r}: {sentence}" for word in TECHNICAL if re.search(rf"\b{word}\b", sentence.lower())]
    return found


@without_pictures()
def page_of(report: Report) -> str:
    """The page of a report."""
    return render(report)


def customary(metric: Findings) -> list[str]:
    """Customary units in a metric report; tables and wall cards keep theirs beside the metric ones."""
    page = without_names(page_of(metric.report).partition("<h2>References</h2>")[0])
    page = re.sub(r'<t[dh] class="\w+ other">.*?</t[dh]>', "", page, flags=re.DOTALL)
    page = re.sub(r'<style>.*?</style>|src="[^"]*"|<td class="text">(?:psi|ft|gpm|lbf)</td>', "", page, flags=re.DOTALL)
    drawn = [
        f"{plot.name}: {' '.join(text.get_text().split())}"
        for plot in (*metric.report.plots, *metric.plots)
        if not plot.to_print  # a page for the wall is a table of both systems
        for text in plot.figure.findobj(Text)
    ]
    lines = [re.sub(r"<[^>]+>", " ", line) for line in page.splitlines()]
    found = [line.strip() for line in (*lines, *drawn) if CUSTOMARY.search(line)]
    return [line for line in found if CUSTOMARY.search(without_names(line))]


def reference_faults(report: Report) -> list[str]:
    """References that nobody cites, and citations of nothing."""
    page = page_of(report)
    body, _, rest = page.partition("<h2>References</h2>")
    listed = rest.partition("</ol>")[0].count("<li>")
    cited = {int(number) for group in re.findall(r"\[(\d+(?:, \d+)*)\]", body) for number in group.split(", ")}
    return [] if cited == set(range(1, listed + 1)) else [f"cited {sorted(cited)} of {listed} references"]
