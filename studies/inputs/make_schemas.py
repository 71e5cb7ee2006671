"""Write the JSON schemas of department and question files beside them, for editors that complete keys.

Run ``python studies/inputs/make_schemas.py`` after a file's shape has changed; a test holds what is written to it.
"""

from pathlib import Path

from jetsim.equipment.department import DepartmentFile
from jetsim.equipment.reading import write_schema

SHAPES = {"department": DepartmentFile}

if __name__ == "__main__":
    for name, shape in SHAPES.items():
        write_schema(shape, Path(__file__).parent / f"{name}.schema.json")
