"""One printed page for each set-up of a department, all of them side by side, and all pages as one book.

Run ``python studies/setup_cards.py``; ``--department mine.toml`` takes your own department.
"""

import signal
import sys
from collections.abc import Sequence
from pathlib import Path

if __name__ == "__main__":  # Ctrl-C while the modules load; `run` takes over from there
    signal.signal(signal.SIGINT, lambda *_: sys.exit(print("interrupted: nothing had begun", file=sys.stderr) or 130))

from jetsim.cards import pictures, runs, words
from jetsim.cards.question import CardsQuestion
from jetsim.equipment.questions import Asked, load_question
from jetsim.equipment.setups_table import told
from jetsim.equipment.words import laws
from jetsim.findings import validity_counts
from jetsim.quantities import UnitSystem
from jetsim.report.cards import book
from jetsim.report.document import Report, Section
from jetsim.study import Findings, Options, Study, run

Loaded = Asked[CardsQuestion]


def load(options: Options) -> Loaded:
    """Read the question and its department."""
    asked = load_question(options.inputs, CardsQuestion, options.department, options.setups)
    return asked.quick() if options.quick else asked


def plan(asked: Loaded, options: Options) -> str:
    """What would be run."""
    count, draws = len(asked.setups), asked.question.base_samples
    return f"{asked.question.title}\n{count} set-ups on {draws} common draws: {count * draws:,} runs"


def compute(asked: Loaded, options: Options) -> Findings:
    """Run every set-up and draw its page."""
    with options.executor() as executor:
        cards = runs.cards_of(asked, executor)
    return written(asked, cards, options.system(asked.units))


def written(asked: Loaded, cards: Sequence[runs.Card], system: UnitSystem) -> Findings:
    """The cards, written up."""
    pages = [pictures.page(asked, card, system) for card in cards]
    results = runs.results_of(cards)
    report = Report(
        asked.question.title,
        words.lead(cards, system),
        [Section("Side by side", tables=[words.side_by_side(cards, system)]), Section("The cards", plots=pages)],
        words.report_card(asked, cards, system),
        system,
        validity=validity_counts(results),
        subtitle=asked.scenario,
        further=words.further(asked, cards, system),
        laws=laws(asked, "effective reach"),
    )
    table = told({card.setup.label: card.middle for card in cards})
    return Findings(
        report,
        {"results": results},
        tables=[words.cards_table(cards), table],
        data_files=asked.files,
        files={"cards.pdf": book(pages)},
    )


STUDY = Study(
    "setup_cards",
    "One printed page for each set-up: pump pressure to start from, flow, reaction, reach, mistakes.",
    Path(__file__),
    load,
    plan,
    compute,
)

if __name__ == "__main__":
    sys.exit(run(STUDY))
