"""Running a benchmark from the command line: what a user can cause ends in one line and a status, not a traceback."""

import os
import sys
from collections.abc import Callable
from pathlib import Path

from jetsim.errors import InputError

ROOT = Path(__file__).resolve().parents[1]


def environment(tree: Path = ROOT) -> dict[str, str]:
    """Of processes that can import what a benchmark of a tree can."""
    return {**os.environ, "PYTHONPATH": os.pathsep.join((str(tree), os.environ.get("PYTHONPATH", "")))}


def run(main: Callable[[], int]) -> int:
    """Exit status of `main`: 2 for input that cannot be used, 130 after Ctrl-C, 0 where the reader of stdout left."""
    try:
        return main()
    except BrokenPipeError:  # as in `... | head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        print("interrupted", file=sys.stderr)
        return 130
    except (InputError, OSError) as problem:
        print(f"error: {problem}", file=sys.stderr)
        return 2
