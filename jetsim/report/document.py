"""The report: one self-contained HTML page that leads with its findings."""

import base64
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, partial
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from jetsim.quantities import UnitSystem
from jetsim.report import glossary, methods, widths
from jetsim.report.bibliography import DOI_NOTE, Citations
from jetsim.report.card import InputLine, ReportCard
from jetsim.report.cautions import CAUTIONS
from jetsim.report.plaintext import clean
from jetsim.report.style import PAGE, Plot
from jetsim.report.tables import Table

__all__ = ["MOST_LEAD", "InputLine", "Report", "ReportCard", "Section", "ValidityCount", "Writing", "render"]
_HERE = Path(__file__).parent
MOST_LEAD = 5  # sentences


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
    """A part of the report: paragraphs, then plots, then tables.

    A plot that says what it shows in a sentence (`Plot.instead`) becomes a paragraph.
    """

    title: str
    paragraphs: Sequence[str] = ()
    plots: Sequence[Plot] = ()
    tables: Sequence[Table] = ()

    @property
    def texts(self) -> list[str]:
        """The paragraphs, and the sentences that stand for plots."""
        return [*self.paragraphs, *(plot.instead for plot in self.plots if plot.instead)]

    @property
    def figures(self) -> list[Plot]:
        """The plots that are shown as such."""
        return [plot for plot in self.plots if not plot.instead]


@dataclass(frozen=True, eq=False)
class Report:
    """A whole report.

    Attributes
    ----------
    title : str
    lead : sequence of str
        The findings in plain words, the most important first: at most five sentences, one number in each.
    sections : sequence of Section
    card : ReportCard
    units : str
        Edition, ``"us"`` or ``"si"``.
    notices : sequence of str
        What must be said before the findings, such as that a quick run must not be quoted.
    validity : sequence of ValidityCount
    provenance : mapping of str to str
        Versions, commit and study file; the study runner fills them in.
    further : sequence of str
        What else was found: below the lead of the page, behind the sections of the white paper.
    subtitle : str
        One line below the title, such as that the scenario is invented.
    methods : sequence of str
        Paragraphs of the method, in technical words; by default those that `laws` and the card give.
    laws : sequence of str
        Keys of the laws in use (``jetsim.report.methods.LAWS``), each of which has words and sources.
    limits : sequence of str
        Limits of this study, besides those that the card shows.
    references : sequence of str
        Keys of sources used without being named in any text; all others are found where texts cite them.
    rerun : mapping of str to str
        How to run it again: command, commit, seed, hashes; the study runner fills them in.
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
    further: Sequence[str] = ()
    methods: Sequence[str] = ()
    laws: Sequence[str] = ()
    limits: Sequence[str] = ()
    references: Sequence[str] = ()
    rerun: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """The lead explains the words that it cannot do without."""
        object.__setattr__(self, "lead", glossary.introduced(self.lead))

    @property
    def plots(self) -> list[Plot]:
        """All plots in order."""
        return [plot for section in self.sections for plot in section.plots]

    @property
    def tables(self) -> list[Table]:
        """All tables in order."""
        return [table for section in self.sections for table in section.tables]


@dataclass(frozen=True)
class Writing:
    """A report on its way to the page: numbers of figures, tables and sources, the same in every kind of document.

    Raises
    ------
    ValueError
        A figure or table without a title or a caption, a law without words, or a citation of nothing.
    """

    report: Report
    citations: Citations = field(default_factory=Citations)
    known: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        """Number the sources in reading order, whatever a document shows first."""
        shown: list[Plot | Table] = [*self.figures, *self.report.tables]
        bare = [item.name for item in shown if not item.title.strip() or not item.caption.strip()]
        if bare:
            raise ValueError(f"every figure and table needs a title and a caption; missing for {', '.join(bare)}")
        for text in self.texts():
            self.cited(text)

    def texts(self) -> Iterator[str]:
        """All texts that may cite or use a term, in reading order."""
        report = self.report
        yield from (*report.notices, *report.lead, *report.further)
        for section in report.sections:
            yield from section.texts
            items: list[Plot | Table] = [*section.figures, *section.tables]
            for item in items:
                yield from (item.title, item.caption)
            for table in section.tables:
                yield from (column.heading for column in table.columns)
        yield from (*self.methods, *self.limits)
        for line in report.card.inputs:
            yield from (line.name, line.source)

    @property
    def figures(self) -> list[Plot]:
        """All figures in order."""
        return [plot for section in self.report.sections for plot in section.figures]

    @cached_property
    def figure_numbers(self) -> dict[str, int]:
        """Number of each figure by its name."""
        return {plot.name: number for number, plot in enumerate(self.figures, 1)}

    @cached_property
    def table_numbers(self) -> dict[str, int]:
        """Number of each table by its name."""
        return {table.name: number for number, table in enumerate(self.report.tables, 1)}

    @cached_property
    def methods(self) -> list[str]:
        """Paragraphs of the method."""
        report = self.report
        own = [*methods.model_words(report.laws), *report.methods] if report.methods else []
        paragraphs = own or methods.from_card(report.card, report.laws)
        more = "; ".join(f"@{key}" for key in report.references)
        return [*paragraphs, f"Also used: [{more}]."] if more else paragraphs

    @cached_property
    def limits(self) -> list[str]:
        """Limits of the study: its own, those of its card, and runs outside the range of a fit."""
        outside = [f"{v.count:,} of {v.total:,} runs ({v.share}): {v.words}." for v in self.report.validity if v.count]
        return [*self.report.limits, *methods.limits_of(self.report.card), *outside]

    def cited(self, text: str) -> str:
        """A text without control characters, with the numbers of its sources."""
        return self.citations.text(clean(text))

    def explained(self, text: str) -> list[tuple[str, str]]:
        """The same in pieces, the terms with the sentence that explains them at their first use."""
        return glossary.explained(self.cited(text), self.known)

    @property
    def references(self) -> list[str]:
        """The numbered list of references."""
        return self.citations.references()

    @property
    def terms(self) -> list[glossary.Term]:
        """Terms of the glossary that the report uses."""
        return glossary.used_in(self.texts())


def _environment(writing: Writing) -> Environment:
    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_cleaned,
    )
    environment.filters |= {"told": lambda text: _told(writing, text), "cited": writing.cited, "unbroken": _unbroken,
                            "width": partial(_width, writing)}  # fmt: skip
    return environment


_TURNED = 1.35  # of a page's width: a table that wants more is printed on a turned page


def _width(writing: Writing, table: Table) -> str:
    """Class of a table by its width: smaller letters, and on paper a turned page where those do not suffice."""
    wanted = widths.of_table(table, writing.report.units) / PAGE
    return "wide turned" if wanted > _TURNED else "wide" if wanted > 1 else "narrow"


def _cleaned(value: Any) -> Any:
    """Texts lose their control characters; finished markup stays."""
    return clean(value) if isinstance(value, str) and not isinstance(value, Markup) else value


_MEASURE = re.compile(r"[\d.,-]+ \S+")


def _unbroken(text: str) -> str:
    """A cell that holds a number with its unit keeps them on one line."""
    return text.replace(" ", "\N{NO-BREAK SPACE}") if _MEASURE.fullmatch(text) else text


def _told(writing: Writing, text: str) -> Markup:
    """A text with its sources numbered and its terms explained on hover at their first use."""
    term = Markup('<dfn><abbr title="{}">{}</abbr></dfn>')
    return Markup("").join(
        term.format(sentence, piece) if sentence else piece for piece, sentence in writing.explained(text)
    )


def data_uri(plot: Plot, kind: str = "svg") -> str:
    """A plot as a data URI, so that the page needs no other file: ``svg``, or ``png`` as a quick run draws anyhow."""
    drawn, media = (plot.svg(), "svg+xml") if kind == "svg" else (plot.png(quick=True), "png")
    return f"data:image/{media};base64,{base64.b64encode(drawn).decode('ascii')}"


def render(report: Report, quick: bool = False) -> str:
    """The report as one HTML page without links to other files or to the network.

    Parameters
    ----------
    report : Report
        Every text is escaped.
    quick : bool, optional
        Figures in pixels, which are drawn once then.

    Returns
    -------
    str
        The same report gives the same text.

    Raises
    ------
    ValueError
        A figure or table without a title or a caption, or a citation of nothing.
    """
    writing = Writing(report)
    template = _environment(writing).get_template("report.html.jinja")
    drawn = partial(data_uri, kind="png" if quick else "svg")
    style = Markup((_HERE / "report.css").read_text(encoding="utf-8"))
    return template.render(
        report=report, writing=writing, style=style, cautions=CAUTIONS, data_uri=drawn, doi_note=DOI_NOTE
    )
