"""Footnotes of a document for a word processor, which python-docx reads and writes as nothing but parts."""

from dataclasses import dataclass, field
from xml.sax.saxutils import escape

from docx.document import Document
from docx.enum.style import WD_STYLE_TYPE
from docx.opc.constants import CONTENT_TYPE, RELATIONSHIP_TYPE
from docx.opc.packuri import PackURI
from docx.opc.part import Part
from docx.oxml import OxmlElement
from docx.oxml.ns import nsdecls, qn
from docx.shared import Pt
from docx.text.paragraph import Paragraph

_TEXT, _REFERENCE = "footnote text", "footnote reference"
# What a word processor draws between text and footnotes, and where a footnote goes on.
_RULES = "".join(
    f'<w:footnote w:type="{kind}" w:id="{number}"><w:p><w:r><w:{kind}/></w:r></w:p></w:footnote>'
    for number, kind in enumerate(("separator", "continuationSeparator"), -1)
)


@dataclass
class Footnotes:
    """The footnotes of one document, in the order of their numbers."""

    document: Document
    texts: list[str] = field(default_factory=list)

    def add(self, paragraph: Paragraph, text: str) -> None:
        """A number at the end of a paragraph so far, and its text at the foot of the page."""
        self.texts.append(text)
        run = paragraph.add_run(style=self.document.styles[_REFERENCE])
        mark = OxmlElement("w:footnoteReference")
        mark.set(qn("w:id"), str(len(self.texts)))
        run._r.append(mark)

    def define_styles(self) -> None:
        """The styles by the names that word processors know."""
        styles = self.document.styles
        text = styles.add_style(_TEXT, WD_STYLE_TYPE.PARAGRAPH)
        text.base_style, text.font.size = styles["Normal"], Pt(8.5)
        text.paragraph_format.space_after, text.paragraph_format.line_spacing = Pt(1), 1.0
        reference = styles.add_style(_REFERENCE, WD_STYLE_TYPE.CHARACTER)
        reference.base_style, reference.font.superscript = styles["Default Paragraph Font"], True

    def finish(self) -> None:
        """Write them into the document."""
        if not self.texts:
            return
        notes = "".join(self._note(number, text) for number, text in enumerate(self.texts, 1))
        markup = f'<?xml version="1.0" encoding="UTF-8" standalone="yes"?><w:footnotes {nsdecls("w")}>'
        blob = f"{markup}{_RULES}{notes}</w:footnotes>".encode()
        own = self.document.part
        assert own.package is not None
        part = Part(PackURI("/word/footnotes.xml"), CONTENT_TYPE.WML_FOOTNOTES, blob, own.package)
        own.relate_to(part, RELATIONSHIP_TYPE.FOOTNOTES)

    def _note(self, number: int, text: str) -> str:
        paragraph, mark = (self.document.styles[name].style_id for name in (_TEXT, _REFERENCE))
        return (
            f'<w:footnote w:id="{number}"><w:p><w:pPr><w:pStyle w:val="{paragraph}"/></w:pPr>'
            f'<w:r><w:rPr><w:rStyle w:val="{mark}"/></w:rPr><w:footnoteRef/></w:r>'
            f'<w:r><w:t xml:space="preserve"> {escape(text)}</w:t></w:r></w:p></w:footnote>'
        )
