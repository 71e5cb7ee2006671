"""The import rules of the house, read from the source with ``ast``."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "jetsim"
FILES = sorted(PACKAGE.rglob("*.py"))
MODULES = {".".join(("jetsim", *file.relative_to(PACKAGE).with_suffix("").parts)) for file in FILES}

# Floors from the ground up: a module imports only from lower floors, or from its own wing.
FLOORS = {
    "errors": 0,
    "units": 1,
    "toml": 1,
    "kept": 1,
    "processors": 1,
    "cluster": 1,
    "workers": 1,
    "quantities": 2,
    "media": 3,
    "hydraulics": 4,
    "jet": 4,
    "published": 4,
    "experiment": 4,
    "report": 4,
    "stream": 5,
    "flags": 5,
    "simulation": 6,
    "acting": 6,
    "options": 5,
    "study": 6,
    "findings": 7,
    "equipment": 7,
    "rankings": 8,
    "pumping": 8,
    "window": 8,
    "assumptions": 8,
    "throws": 8,
    "cards": 8,
    "staffing": 8,
    "teaching": 8,
}
# A few steps within a floor are wanted: the report prints what experiment found, streams start at a nozzle.
LONGEST_FILE = 500


def room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def imports(path: Path) -> list[tuple[str, int, bool]]:
    """(module, line, inside a function) of every import of a file; names imported from packages resolved."""
    found = []
    for node, inside in statements(tree_of(path)):
        if isinstance(node, ast.Import):
            found += [(alias.name, node.lineno, inside) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: relative import"
            found += [(f"{node.module}.{alias.name}", node.lineno, inside) for alias in node.names]
    return found


def statements(node: ast.AST, inside: bool = False) -> Iterator[tuple[ast.AST, bool]]:
    """Everything below a node that holds statements or is one, and whether it is inside a function."""
    for lower in ast.iter_child_nodes(node):
        if not isinstance(lower, ast.expr):
            yield lower, inside
            yield from statements(lower, inside or isinstance(lower, ast.FunctionDef | ast.AsyncFunctionDef))


def test_imports_inside_functions_are_seen():
    source = "import a\ntry:\n    import b\nexcept E:\n    def f():\n        if x:\n            from c import d"
    wanted = [("Import", False), ("Import", False), ("ImportFrom", True)]
    found = [(type(node).__name__, inside) for node, inside in statements(ast.parse(source))]
    assert [pair for pair in found if pair[0].startswith("Import")] == wanted


def modules_in_use(path: Path) -> set[str]:
    """Modules of this package that a file imports, as dotted paths below the package."""
    names = {name for name, *_ in imports(path) if name.split(".")[0] == "jetsim"}
    return {name if name in MODULES else name.rpartition(".")[0] for name in names}


def test_no_import_inside_a_function():
    assert [f"{path}:{line}" for path in FILES for _, line, inside in imports(path) if inside] == []


def test_imports_only_go_down():
    for path in FILES:
        if path == PACKAGE / "__init__.py":
            continue
        here = room(path)
        assert here in FLOORS, f"{here} has no floor: give it one"
        for module in modules_in_use(path):
            assert module != "jetsim", f"{path} imports the package root"
            there = module.split(".")[1]
            assert there == here or FLOORS[there] < FLOORS[here], f"{path}: {here} must not import {there}"


@pytest.mark.parametrize(
    ("library", "homes"),
    [
        ("docx", ("report/paper.py", "report/footnotes.py")),
        ("SALib", ("experiment/sensitivity.py", "experiment/screening.py", "experiment/moment_independent.py")),
        ("matplotlib", ("report/",)),
        ("jinja2", ("report/",)),
        ("tqdm", ("experiment/",)),
        ("openpyxl", ("experiment/sheets.py",)),
        ("argparse", ("study.py", "options.py")),
        ("tomllib", ("toml.py",)),
    ],
)
def test_libraries_stay_in_their_rooms(library, homes):
    for path in FILES:
        inside = path.relative_to(PACKAGE).as_posix()
        if any(inside.startswith(home) for home in homes):
            continue
        used = [line for name, line, _ in imports(path) if name.split(".")[0] == library]
        assert used == [], f"{inside} imports {library}"


@pytest.mark.parametrize("wing", ["jet", "hydraulics"])
def test_physics_works_on_plain_arrays(wing):
    for path in (PACKAGE / wing).rglob("*.py"):
        assert not [line for name, line, _ in imports(path) if name.split(".")[0] == "xarray"], path


def test_no_circles():
    graph = {".".join(("jetsim", *f.relative_to(PACKAGE).with_suffix("").parts)): modules_in_use(f) for f in FILES}
    done: set[str] = set()

    def visit(module: str, above: tuple[str, ...]) -> None:
        assert module not in above, f"circle: {' -> '.join((*above, module))}"
        if module not in done:
            for lower in graph.get(module, ()):
                visit(lower, (*above, module))
            done.add(module)

    for module in graph:
        visit(module, ())


def test_files_stay_short():
    counts = {path: len(path.read_text(encoding="utf-8").splitlines())
              for path in [*FILES, *(ROOT / "studies").glob("*.py")]}  # fmt: skip
    assert {path: count for path, count in counts.items() if count > LONGEST_FILE} == {}


def test_only_units_knows_customary_factors():
    """No module but units writes a conversion factor of psi, gallons, feet or inches as a number."""
    telltale = {0.0254, 0.3048, 6894.757293168361, 6894.757, 0.003785411784, 4.4482216152605}
    for path in FILES:
        numbers = {node.value for node in ast.walk(tree_of(path)) if isinstance(node, ast.Constant)}
        found = telltale & {n for n in numbers if isinstance(n, float)}
        assert not found or path.name == "units.py", f"{path}: {found}"


PLOTTING = ("matplotlib", "jinja2")
# Tests of significance bring sequences along, integrators bring optimizers, all of them matrices and transforms.
SCIPY = tuple(f"scipy.{part}" for part in ("stats", "optimize", "integrate", "linalg", "sparse", "spatial", "fft"))
ESTIMATING = (*SCIPY, "SALib", "tqdm", "jetsim.experiment", "jetsim.report")


# Scipy's parts, spreadsheets and word processors are slow to load.
SLOW = (*SCIPY, "openpyxl", "docx", "SALib", "matplotlib.pyplot")
# Imported one after the other in one process; each with what must not be there when it is.
CHAINS = {
    "physics and reports": {
        "jetsim": PLOTTING + ESTIMATING,
        "jetsim.stream": PLOTTING + ESTIMATING,
        "jetsim.simulation": PLOTTING + ESTIMATING,
        "jetsim.study": (*SCIPY, "matplotlib.pyplot", "SALib", "jetsim.experiment", "h5netcdf"),
        "jetsim.report.figures": SLOW,
        "jetsim.cards.pictures": SLOW,
        "jetsim.teaching.lesson": SLOW,
        "jetsim.throws.compare_words": SLOW,
        "jetsim.rankings.words": SLOW,
    },
    "estimates": {
        "jetsim.experiment.sensitivity": (*PLOTTING, *SCIPY, "SALib", "jetsim.report"),
        "jetsim.rankings.runs": (*PLOTTING, *SCIPY, "SALib"),
    },
}


@pytest.mark.slow
@pytest.mark.parametrize("chain", CHAINS)
def test_an_import_brings_no_more_than_it_needs(chain):
    code = "import sys; " + "; ".join(f"import {module}; print(*sys.modules)" for module in CHAINS[chain])
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    for (module, unwanted), line in zip(CHAINS[chain].items(), done.stdout.splitlines(), strict=True):
        loaded = set(line.split())
        assert module in loaded
        assert loaded.isdisjoint(unwanted), module


@pytest.mark.parametrize(("module", "unwanted"), [pair for chain in CHAINS.values() for pair in chain.items()])
def test_no_import_below_a_module_names_what_it_does_not_need(module, unwanted):
    """As the sources have it; what libraries bring along is seen in a process of its own."""
    reached, todo, named = set(), {module}, set()
    while todo:
        reached.add(here := todo.pop())
        named |= {name for name, line, _ in imports(file_of(here)) if line not in for_types(file_of(here))}
        todo |= modules_in_use(file_of(here)) - reached
    named |= reached
    assert not [name for name in named for word in unwanted if name == word or name.startswith(f"{word}.")]


def for_types(path: Path) -> set[int]:
    """Lines of imports that only a checker of types makes."""
    checked = (
        node for node in tree_of(path).body if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test)
    )
    return {inner.lineno for node in checked for inner in node.body}


def file_of(module: str) -> Path:
    """The source of a module of the package."""
    path = ROOT / Path(*module.split("."))
    return path.with_suffix(".py") if path.with_suffix(".py").exists() else path / "__init__.py"
