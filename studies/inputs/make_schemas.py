"""Write the JSON schemas of department and question files beside them, for editors that complete keys.

Run ``python studies/inputs/make_schemas.py`` after a file's shape has changed; a test holds what is written to it.
"""

from pathlib import Path

from jetsim.assumptions.question import AssumptionsQuestion
from jetsim.cards.question import CardsQuestion
from jetsim.equipment.department import DepartmentFile
from jetsim.equipment.reading import write_schema
from jetsim.pumping.question import PumpQuestion
from jetsim.rankings.question import RankQuestion
from jetsim.staffing.question import CrewQuestion
from jetsim.teaching.question import TeachingQuestion
from jetsim.throws.question import CompareQuestion, FieldTestQuestion
from jetsim.window.question import WindowQuestion

QUESTIONS = (
    AssumptionsQuestion,
    CardsQuestion,
    CompareQuestion,
    CrewQuestion,
    FieldTestQuestion,
    PumpQuestion,
    RankQuestion,
    TeachingQuestion,
    WindowQuestion,
)
SHAPES = {"department": DepartmentFile, **{question.asks: question for question in QUESTIONS}}

if __name__ == "__main__":
    for name, shape in SHAPES.items():
        write_schema(shape, Path(__file__).parent / f"{name}.schema.json")
