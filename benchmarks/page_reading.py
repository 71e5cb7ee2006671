"""The teaching page as a reader moves and reads it: for its benchmark and its tests, whatever drives the browser."""

import shutil
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np

from jetsim import units
from jetsim.teaching.runs import Rig, simulated
from jetsim.teaching.tables import TOLD, Setting

RESULTS = ("flow_rate", "reaction_force", "breakup_distance", "effective_reach", "effective_reach_at_best",
           "extreme_reach")  # fmt: skip
_MOVE = """([name, value]) => {
  const slider = document.getElementById(name);
  slider.value = value;
  slider.dispatchEvent(new Event("input", { bubbles: true }));
}"""
_CELLS = "cells => cells.map(cell => ({ ...cell.dataset }))"


def chromium() -> str | None:
    """Where Chromium stands on this machine; None where it does not."""
    return next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)


def put(page: Any, name: str, value: float) -> float:
    """Move a slider to a value in its US unit; where it stands then, SI."""
    page.evaluate(_MOVE, [name, value])
    return float(page.get_attribute(f"#{name}_at", "data-si"))


def numbers(page: Any, lane: int = 0) -> dict[str, dict[str, float]]:
    """Every number of a lane as the page has it: middle (si), low and high end, and as believed; SI."""
    cells = page.eval_on_selector_all(f"#lane{lane} td.is", _CELLS)
    return {cell["name"]: {key: float(cell[key]) for key in ("si", "low", "high", "believed")} for cell in cells}


def moved_to(page: Any, setting: Setting) -> Setting:
    """Move every control to a setting; where they stand then, for sliders move in steps."""
    page.select_option("#mistake", "kinks" if setting.kinked else "none")
    wanted = {
        "elevation": setting.elevation,
        "wind": setting.wind / float(units.to_si(1.0, "mph")),
        "floor": setting.floor,
        "length": setting.length / units.FOOT,
        "pump": setting.pressure / units.PSI,
    }
    at = {name: put(page, name, value) for name, value in wanted.items()}
    return replace(setting, pressure=at["pump"], elevation=at["elevation"], wind=at["wind"], length=at["length"],
                   floor=at["floor"])  # fmt: skip


def departures_on(page: Any, rig: Rig, settings: Iterable[Setting]) -> dict[str, np.ndarray]:
    """What the page shows of the set-up that it shows, over the model's own, less 1; only where a number is told.

    Returns
    -------
    dict of result to ndarray, shape (settings, 3)
        Middle, low and high end; NaN where the page tells none, as it must where the effective reach is a small part
        of the extreme one.
    """
    read = [(moved_to(page, setting), numbers(page)) for setting in settings]
    found: dict[str, list[list[float]]] = {name: [] for name in RESULTS}
    for (_, shown), true in zip(read, simulated(rig, *(setting for setting, _ in read)), strict=True):
        for name in RESULTS:
            least = TOLD * true["extreme_reach"][0] if name == "effective_reach" else 0.0
            right = [true[name][0], *np.quantile(true[name][1:], [0.05, 0.95])]
            here = [shown[name][key] for key in ("si", "low", "high")]
            pairs = ((max(a, least), max(b, least)) for a, b in zip(here, right, strict=True))
            found[name].append([(a - b) / max(b, 1e-9) for a, b in pairs])
    return {name: np.array(rows) for name, rows in found.items()}
