"""The white paper: the report as a document for a word processor, in styles that a department's template may change."""

import io
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import Any

import docx
from docx.document import Document
from docx.enum.section import WD_ORIENT, WD_SECTION
from docx.enum.style import WD_STYLE_TYPE
from docx.enum.text import WD_ALIGN_PARAGRAPH
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from docx.shared import Inches, Pt, RGBColor
from docx.table import Table as DocxTable
from docx.text.paragraph import Paragraph

from jetsim.report import widths
from jetsim.report.bibliography import DOI_NOTE
from jetsim.report.cautions import CAUTIONS
from jetsim.report.document import Report, Writing
from jetsim.report.footnotes import Footnotes
from jetsim.report.plaintext import clean
from jetsim.report.style import PAGE, Plot
from jetsim.report.tables import Table

# Letter for the US, A4 elsewhere; margins leave room for a figure as wide as a page. Inches.
_PAPER = {"us": (8.5, 11.0), "si": (8.27, 11.69)}
_BORDER = 0.75  # inch, margin on the short sides of the text
_BESIDE = 1.5  # inch, for a heading and a caption on the page of a tall figure
_SQUEEZED = 1.06  # a table so little wider than the page gives way rather than being parted
_UPRIGHT_PARTS = 2  # of a wide table: a turned page breaks the flow of the text before and behind it
_THEN = datetime(2000, 1, 1)  # the same report gives the same bytes
_ZIP_THEN = (1980, 1, 1, 0, 0, 0)
_TABLE_STYLE, _CELL, _HEADING_CELL = "Report Table", "Table Text", "Table Heading"
_FIGURE, _NOTICE, _NOTE = "Figure", "Intense Quote", "Table Note"


def white_paper(report: Report) -> bytes:
    """The report as a DOCX file.

    Parameters
    ----------
    report : Report

    Returns
    -------
    bytes
        The same report gives the same bytes.

    Raises
    ------
    ValueError
        A figure or table without a title or a caption, or a citation of nothing.
    """
    paper = _Paper(Writing(report), docx.Document())
    paper.write()
    buffer = io.BytesIO()
    paper.document.save(buffer)
    return _timeless(buffer.getvalue())


def _timeless(packed: bytes) -> bytes:
    """The same package with the same time on every part."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(packed)) as given, zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as made:
        for name in given.namelist():
            packing = zipfile.ZIP_STORED if name.endswith(".png") else zipfile.ZIP_DEFLATED  # a PNG is packed already
            made.writestr(zipfile.ZipInfo(name, _ZIP_THEN), given.read(name), packing)
    return buffer.getvalue()


@dataclass
class _Paper:
    writing: Writing
    document: Document
    headings: list[tuple[str, int]] = field(default_factory=list)
    identifiers: dict[str, str] = field(default_factory=dict)

    @cached_property
    def notes(self) -> Footnotes:
        """Explanations of terms, at the foot of the page of their first use."""
        return Footnotes(self.document)

    @property
    def report(self) -> Report:
        return self.writing.report

    def write(self) -> None:
        """All parts in order."""
        _define_styles(self.document)
        self.notes.define_styles()
        self._set_up_page()
        self._front()
        for section in self.report.sections:
            self._section(section.title, section.texts, section.figures, section.tables)
        self._listed("What else was found", self.report.further)
        self._methods()
        self._listed("Limits of this study", self.writing.limits)
        self._glossary()
        self._references()
        self._rerun()
        self._listed("Cautions", CAUTIONS)
        self.notes.finish()

    def _set_up_page(self) -> None:
        page = self.document.sections[0]
        page.page_width, page.page_height = (Inches(side) for side in _PAPER[self.report.units])
        page.left_margin = page.right_margin = Inches((_PAPER[self.report.units][0] - PAGE) / 2)
        page.top_margin = page.bottom_margin = Inches(_BORDER)
        footer = page.footer.paragraphs[0]
        footer.alignment = WD_ALIGN_PARAGRAPH.RIGHT
        _add_field(footer, "PAGE", "1")
        about = self.document.core_properties
        about.title, about.author, about.comments = clean(self.report.title), "", ""
        about.created = about.modified = _THEN
        about.language = "en-US"

    def _paragraph(self, text: str, style: str = "Body Text") -> Paragraph:
        self._open()
        paragraph = self._styled(self.document.add_paragraph(), style)
        self._told(paragraph, text)
        return paragraph

    def _told(self, paragraph: Paragraph, text: str, style: str | None = None) -> None:
        """A text with its sources numbered, and a footnote at the first use of each term."""
        for piece, sentence in self.writing.explained(text):
            paragraph.add_run(piece, style)
            if sentence:
                self.notes.add(paragraph, _explanation(piece, sentence))

    def _styled(self, paragraph: Paragraph, style: str) -> Paragraph:
        """Give a paragraph its style, looked up once: a search for each cell takes longer than all the rest."""
        if style not in self.identifiers:
            self.identifiers[style] = self.document.styles[style].style_id
        paragraph._p.style = self.identifiers[style]
        return paragraph

    def _heading(self, title: str, level: int = 1) -> None:
        """A heading, written with what follows it: before a wide table it stands on the turned page."""
        self.headings.append((title, level))

    def _open(self, is_turned: bool = False) -> None:
        """The page as the next part wants it, with the headings that wait for it."""
        self._turn(is_turned)
        for title, level in self.headings:
            self.document.add_heading(clean(title), level)
        self.headings.clear()

    def _front(self) -> None:
        self._paragraph(self.report.title, "Title")
        if self.report.subtitle:
            self._paragraph(self.report.subtitle, "Subtitle")
        for notice in self.report.notices:
            self._paragraph(notice, _NOTICE)
        self._listed("Summary", self.report.lead)

    def _listed(self, title: str, items: Iterable[str]) -> None:
        texts = list(items)
        if texts:
            self._heading(title)
        for text in texts:
            self._paragraph(text, "List Bullet")

    def _section(self, title: str, texts: Iterable[str], plots: Iterable[Plot], tables: Iterable[Table]) -> None:
        self._heading(title)
        for text in texts:
            self._paragraph(text)
        for plot in plots:
            self._figure(plot)
        for table in tables:
            self._table(table)

    def _figure(self, plot: Plot) -> None:
        self._open()
        place = self._styled(self.document.add_paragraph(), _FIGURE)
        wide, tall = plot.figure.get_size_inches()
        width = min(wide, PAGE, wide / tall * (_PAPER[self.report.units][1] - 2 * _BORDER - _BESIDE))
        picture = place.add_run().add_picture(io.BytesIO(plot.png()), width=Inches(width))
        # The alternative text, and a name that tells pictures apart.
        picture._inline.docPr.set("descr", plot.alternative_text)
        picture._inline.docPr.set("name", plot.name)
        number = self.writing.figure_numbers[plot.name]
        self._caption("Figure", number, plot.title, plot.caption)

    def _caption(self, kind: str, number: int, title: str, caption: str, is_counted: bool = True) -> Paragraph:
        """A caption whose number is a field that a word processor counts; a further part only repeats the number."""
        paragraph = self._styled(self.document.add_paragraph(), "Caption")
        paragraph.add_run(f"{kind} ")
        if is_counted:
            _add_field(paragraph, f"SEQ {kind} \\* ARABIC", str(number))
        paragraph.add_run(". " if is_counted else f"{number}. ")
        self._told(paragraph, f"{title.rstrip('.')}. ")
        self._told(paragraph, caption, "Caption Text")
        return paragraph

    def _table(self, table: Table) -> None:
        columns, rows = table.headings(self.report.units), table.rows(self.report.units)
        cells = [[row[number] for row in rows] for number in range(len(columns))]
        headings, numeric = widths.headings(columns), [column.numeric for column in columns]
        shown = list(range(len(columns)))
        words = [table.caption, table.left_out]
        if widths.of_table(table, self.report.units) > PAGE and not all(column.heading for column in columns):
            # The edition's own units alone stand on an upright page, where both systems would want a turned one.
            shown = [number for number, column in enumerate(columns) if column.heading]
            words.append(f"In both systems of units: tables/{table.name}.csv.")
        told = ("Table", self.writing.table_numbers[table.name], table.title, " ".join(filter(None, words)))
        self._fitted([headings[n] for n in shown], [cells[n] for n in shown], [numeric[n] for n in shown], told)

    def _fitted(
        self, headings: Sequence[str], cells: Sequence[Sequence[str]], numeric: Sequence[bool],
        caption: tuple[str, int, str, str] | None = None,
    ) -> None:  # fmt: skip
        """A table on the page as it stands, in two parts if it is wide, on a turned page if it is wider still."""
        wanted = list(map(widths.width, headings, cells, numeric))
        opening = next((number for number, is_number in enumerate(numeric) if is_number), 1)
        opening = max(1, min(opening, len(wanted) - 1))
        parts, room = widths.parts(wanted, _SQUEEZED * PAGE, opening), PAGE
        turned = len(parts) > _UPRIGHT_PARTS
        if turned:
            room = _PAPER[self.report.units][1] - 2 * _BORDER
            parts = widths.parts(wanted, room, opening)
        self._open(turned)
        for part, shown in enumerate(parts):
            if part:
                self.document.add_paragraph(style="Table End")
            if caption:
                kind, number, title, words = caption
                title = f"{title.rstrip('.')} (part {part + 1} of {len(parts)})" if len(parts) > 1 else title
                paragraph = self._caption(kind, number, title, "" if part else words, is_counted=not part)
                paragraph.paragraph_format.keep_with_next = True
            own = [cells[n] for n in shown]
            at = widths.stretched([wanted[n] for n in shown], [widths.line(column) for column in own], room)
            self._grid([headings[n] for n in shown], own, [numeric[n] for n in shown], at)
        self._below((headings, *cells))

    def _below(self, columns: Iterable[Sequence[str]]) -> None:
        """Terms that a table is the first to use, explained below it: its heading stands again on each page."""
        words = "\n".join(dict.fromkeys(text for column in columns for text in column))
        notes = [_explanation(piece, sentence) for piece, sentence in self.writing.explained(words) if sentence]
        self.document.add_paragraph(" ".join(notes), _NOTE if notes else "Table End")

    def _turn(self, is_turned: bool) -> None:
        """Pages turned from here on, or upright again; wide tables that follow each other share their pages."""
        orientation = WD_ORIENT.LANDSCAPE if is_turned else WD_ORIENT.PORTRAIT
        if self.document.sections[-1].orientation == orientation:
            return
        page = self.document.add_section(WD_SECTION.NEW_PAGE)
        short, long = _PAPER[self.report.units]
        page.orientation = orientation
        page.page_width, page.page_height = (Inches(side) for side in ((long, short) if is_turned else (short, long)))
        page.left_margin = page.right_margin = Inches(_BORDER if is_turned else (short - PAGE) / 2)

    def _grid(
        self, headings: Sequence[str], cells: Sequence[Sequence[str]], numeric: Sequence[bool], at: Sequence[float]
    ) -> None:
        count = len(cells[0]) if cells else 0
        grid = self.document.add_table(1 + count, len(headings), _TABLE_STYLE)
        grid.autofit = False
        for column, width in zip(grid.columns, at, strict=True):
            column.width = Inches(width)
        styles = [f"{_CELL} Number" if is_number else _CELL for is_number in numeric]
        for row, texts in zip(grid.rows, (headings, *zip(*cells, strict=True)), strict=True):
            for cell, text, width, style in zip(row.cells, texts, at, styles, strict=True):
                cell.width = Inches(width)
                paragraph = self._styled(cell.paragraphs[0], _HEADING_CELL if texts is headings else style)
                paragraph.add_run(self.writing.cited(text))
                if texts is headings and style != _CELL:
                    paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
        _keep_rows(grid)

    def _methods(self) -> None:
        self._heading("Methods")
        for text in self.writing.methods:
            self._paragraph(text)
        card = self.report.card
        if card.inputs:
            self._heading("Inputs that vary, and what they rest on", 2)
            rows = [(i.name, i.distribution, i.role_words, i.basis, i.source) for i in card.inputs]
            self._fitted(("Input", "Varies as", "Role", "Basis", "Source"), list(zip(*rows, strict=True)), [False] * 5)
        if card.fixed:
            self._heading("What did not vary", 2)
            self._fitted(("Input", "Value"), [list(card.fixed), list(card.fixed.values())], [False] * 2)

    def _glossary(self) -> None:
        if self.writing.terms:
            self._heading("Glossary")
        for term in self.writing.terms:
            paragraph = self._paragraph("")
            paragraph.add_run(term.trade, "Strong")
            technical = f" Technical name: {term.technical}." if term.technical not in ("", term.trade) else ""
            paragraph.add_run(f". {term.sentence}{technical}")

    def _references(self) -> None:
        if not self.writing.references:
            return
        self._heading("References")
        self._open()
        for reference in self.writing.references:
            self.document.add_paragraph(reference, "List Number")
        self._paragraph(DOI_NOTE)

    def _rerun(self) -> None:
        made = ", ".join(f"{name} {value}" for name, value in self.report.provenance.items())
        lines = {**self.report.rerun, **({"made with": made} if made else {})}
        if lines:
            self._heading("How to run it again")
            self._fitted(("What", "Value"), [list(lines), list(lines.values())], [False] * 2)


def _explanation(term: str, sentence: str) -> str:
    """What a term means, as a note."""
    return f"{term[:1].upper()}{term[1:]}: {sentence[:1].lower()}{sentence[1:]}"


def _add_field(paragraph: Paragraph, code: str, shown: str) -> None:
    """A field such as a page number, with the text that stands until it is counted again."""
    field = OxmlElement("w:fldSimple")
    field.set(qn("w:instr"), code)
    run = OxmlElement("w:r")
    text = OxmlElement("w:t")
    text.text = shown
    run.append(text)
    field.append(run)
    paragraph._p.append(field)


def _keep_rows(grid: DocxTable) -> None:
    """No row breaks across pages, and the heading stands again on each."""
    for number, row in enumerate(grid.rows):
        properties = row._tr.get_or_add_trPr()
        properties.append(OxmlElement("w:cantSplit"))
        if number == 0:
            properties.append(OxmlElement("w:tblHeader"))


def _define_styles(document: Document) -> None:
    """Styles of the package beside those of every template; nothing is formatted by hand."""
    styles = document.styles
    for name, size in (("Normal", 10.5), ("Caption", 9.0)):
        styles[name].font.size = Pt(size)
    styles["Caption"].font.color.rgb = RGBColor(0, 0, 0)
    styles["List Bullet"].paragraph_format.space_after = Pt(4)

    def add(name: str, base: str, kind: Any = WD_STYLE_TYPE.PARAGRAPH) -> Any:
        style = styles.add_style(name, kind)
        style.base_style = styles[base]
        return style

    add("Caption Text", "Default Paragraph Font", WD_STYLE_TYPE.CHARACTER).font.bold = False
    figure = add(_FIGURE, "Normal").paragraph_format
    figure.keep_with_next, figure.space_before, figure.space_after = True, Pt(8), Pt(4)
    for name, bold in ((_CELL, None), (f"{_CELL} Number", None), (_HEADING_CELL, True)):
        style = add(name, "Normal")
        style.font.size, style.font.bold = Pt(8.5), bold
        style.paragraph_format.space_after = style.paragraph_format.space_before = Pt(1.5)
        style.paragraph_format.line_spacing = 1.0
    styles[f"{_CELL} Number"].paragraph_format.alignment = WD_ALIGN_PARAGRAPH.RIGHT
    note = add(_NOTE, "Normal")
    note.font.size, note.paragraph_format.space_before, note.paragraph_format.space_after = Pt(8.5), Pt(3), Pt(8)
    end = add("Table End", "Normal")
    end.font.size, end.paragraph_format.space_after = Pt(4), Pt(4)
    _define_table_style(add(_TABLE_STYLE, "Normal Table", WD_STYLE_TYPE.TABLE))


def _define_table_style(style: Any) -> None:
    """Quiet horizontal rules."""
    properties = OxmlElement("w:tblPr")
    borders = OxmlElement("w:tblBorders")
    for edge, weight in (("top", "8"), ("bottom", "8"), ("insideH", "4")):
        rule = OxmlElement(f"w:{edge}")
        for key, value in (("val", "single"), ("sz", weight), ("space", "0"), ("color", "7F7F7F")):
            rule.set(qn(f"w:{key}"), value)
        borders.append(rule)
    properties.append(borders)
    style.element.append(properties)
