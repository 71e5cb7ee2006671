"""The teaching page as one HTML file: its frame, style and script from this folder, its numbers from a room."""

import base64
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from markupsafe import Markup
from numpy.typing import NDArray

from jetsim.quantities import UnitSystem, quantity
from jetsim.report import display
from jetsim.report.cautions import CAUTIONS
from jetsim.report.plaintext import clean

_HERE = Path(__file__).parent
_STEPS = 65535


@dataclass(frozen=True, eq=False)
class TeachingPage:
    """A teaching page.

    Attributes
    ----------
    title, subtitle : str
    data : mapping
        What the script reads, as JSON knows it.
    remarks : sequence of str
        How the numbers came about.
    made_with : mapping of str to str
        Versions and hashes.
    """

    title: str
    subtitle: str
    data: Mapping[str, Any]
    remarks: Sequence[str] = ()
    made_with: Mapping[str, str] = field(default_factory=dict)


def shown_units(name: str) -> dict[UnitSystem, dict[str, Any]]:
    """Label of a quantity's unit and display value of 1 SI unit in each edition; for quantities that share a zero."""
    editions: tuple[UnitSystem, ...] = ("us", "si")
    assert quantity(name).dimension != "temperature"
    return {e: {"label": display.unit_label(name, e), "one": float(display.convert(name, 1.0, e))} for e in editions}


def packed(table: NDArray[Any], short: bool = False) -> dict[str, Any]:
    """An array as text: four bytes a number, or two of them in even steps between the least and the greatest."""
    if not short:
        return {"shape": list(table.shape), "floats": _text(table.astype("<f4"))}
    low, high = float(table.min()), float(table.max())
    step = (high - low) / _STEPS or 1.0
    steps = np.rint((table - low) / step).astype("<u2")
    return {"shape": list(table.shape), "steps": _text(steps), "low": low, "step": step}


def _text(array: NDArray[Any]) -> str:
    return base64.b64encode(np.ascontiguousarray(array).tobytes()).decode("ascii")


def render_page(page: TeachingPage) -> str:
    """The page as one HTML file without links to other files or to the network; every text is escaped."""
    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    own = {name: Markup((_HERE / f"teaching.{name}").read_text(encoding="utf-8")) for name in ("css", "js")}
    content = json.dumps(page.data, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")
    template = environment.get_template("teaching.html.jinja")
    return template.render(page=page, data=Markup(content), own=own, cautions=CAUTIONS, clean=clean)
