"""How many processors there are to work with."""

import os


def processors() -> int:
    """Processors this process may use; where the system does not tell which those are, all there are."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
