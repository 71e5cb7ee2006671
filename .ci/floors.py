"""Print the lowest versions of the dependencies that pyproject.toml allows, one pin a line."""

import tomllib
from pathlib import Path

project = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8"))["project"]
print(*(line.replace(">=", "==") for line in project["dependencies"]), sep="\n")
