"""The report: one self-contained HTML page that leads with its findings."""

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

from jetsim.quantities import UnitSystem
from jetsim.report.cautions import CAUTIONS
from jetsim.report.style import ROLE_WORDS, Plot
from jetsim.report.tables import Table

_HERE = Path(__file__).parent


@dataclass(frozen=True)
class InputLine:
    """One uncertain input on the report card: what it is, how it varies, and what that rests on."""

    name: str
    distribution: str
    role: str
    basis: str
    source: str

    @property
    def role_words(self) -> str:
        """The role in plain words."""
        return ROLE_WORDS.get(self.role, self.role)


@dataclass(frozen=True)
class ReportCard:
    """What a reader needs to judge the study.

    Attributes
    ----------
    question : str
    method : str
        Estimator and design in one sentence.
    runs, seed, failures : int
    intervals : str
        What the intervals are.
    convergence : str
        Whether the gate passed, and the widest half-width.
    sum_of_first_order : mapping of output to float
    negative_estimates : str
        How many, and the lowest.
    structural_alternatives : sequence of str
        Laws that were tried besides the leading one; empty says so.
    inputs : sequence of InputLine
    fixed : mapping of str to str
        What did not vary.
    more : mapping of str to str
        Further lines.
    """

    question: str
    method: str
    runs: int
    seed: int
    failures: int
    intervals: str
    convergence: str
    sum_of_first_order: Mapping[str, float] = field(default_factory=dict)
    negative_estimates: str = "none"
    structural_alternatives: Sequence[str] = ()
    inputs: Sequence[InputLine] = ()
    fixed: Mapping[str, str] = field(default_factory=dict)
    more: Mapping[str, str] = field(default_factory=dict)

    def lines(self) -> dict[str, str]:
        """Everything but the inputs, label to words, in reading order."""
        sums = ", ".join(f"{name} {value:.2f}" for name, value in self.sum_of_first_order.items())
        return {
            "Question": self.question,
            "Method": self.method,
            "Runs": f"{self.runs:,}",
            "Seed": str(self.seed),
            "Failed runs": f"{self.failures:,}" if self.failures else "none",
            "Intervals": self.intervals,
            "Convergence": self.convergence,
            **({"Sum of first-order indices": sums} if sums else {}),
            "Negative estimates": self.negative_estimates,
            "Other laws tried": "; ".join(self.structural_alternatives) or "none in this study",
            **self.more,
        }


@dataclass(frozen=True)
class ValidityCount:
    """A warning about the range of a fit, and how many runs it met."""

    words: str
    count: int
    total: int

    @property
    def share(self) -> str:
        """Percentage, with small shares never shown as zero."""
        percent = 100 * self.count / self.total if self.total else 0.0
        return f"{percent:.0f} %" if percent >= 1 or not self.count else "under 1 %"


@dataclass(frozen=True, eq=False)
class Section:
    """A part of the report: paragraphs, then plots, then tables."""

    title: str
    paragraphs: Sequence[str] = ()
    plots: Sequence[Plot] = ()
    tables: Sequence[Table] = ()


@dataclass(frozen=True, eq=False)
class Report:
    """A whole report.

    Attributes
    ----------
    title : str
    lead : sequence of str
        The findings in plain words, the most important first.
    sections : sequence of Section
    card : ReportCard
    units : str
        Edition, ``"us"`` or ``"si"``.
    notices : sequence of str
        What must be said before the findings, such as that a quick run must not be quoted.
    validity : sequence of ValidityCount
    provenance : mapping of str to str
        Versions, commit and study file; the study runner fills them in.
    subtitle : str
        One line below the title, such as that the scenario is invented.
    """

    title: str
    lead: Sequence[str]
    sections: Sequence[Section]
    card: ReportCard
    units: UnitSystem = "us"
    notices: Sequence[str] = ()
    validity: Sequence[ValidityCount] = ()
    provenance: Mapping[str, str] = field(default_factory=dict)
    subtitle: str = ""

    @property
    def plots(self) -> list[Plot]:
        """All plots in order."""
        return [plot for section in self.sections for plot in section.plots]

    @property
    def tables(self) -> list[Table]:
        """All tables in order."""
        return [table for section in self.sections for table in section.tables]


def _environment() -> Environment:
    return Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def data_uri(plot: Plot) -> str:
    """A plot as an SVG data URI, so that the page needs no other file."""
    return "data:image/svg+xml;base64," + base64.b64encode(plot.svg()).decode("ascii")


def render(report: Report) -> str:
    """The report as one HTML page without links to other files or to the network.

    Parameters
    ----------
    report : Report
        Every text is escaped.

    Returns
    -------
    str
        The same report gives the same text.
    """
    template = _environment().get_template("report.html.jinja")
    style = (_HERE / "report.css").read_text(encoding="utf-8")
    numbers = {plot.name: number for number, plot in enumerate(report.plots, 1)}
    table_numbers = {table.name: number for number, table in enumerate(report.tables, 1)}
    return template.render(
        report=report, style=style, cautions=CAUTIONS, data_uri=data_uri, numbers=numbers, table_numbers=table_numbers
    )
