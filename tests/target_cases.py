"""Tasks and study files that the tests of the target study read."""


def content(**changes):
    tables = {
        "target": {
            "stand_off": "50 ft", "storey": 2, "sill": "3 ft", "height": "4 ft", "width": "3 ft",
            "storey_height": "10 ft", "flow": "100 gpm", "probability": 0.8,
        },
        "search": {"nozzle_pressures": ["60 psi", "40 psi"], "elevations": ["10 deg", "70 deg"]},
        "map": {"stand_offs": ["30 ft", "90 ft"], "storeys": [1, 3]},
    }  # fmt: skip
    for place, value in changes.items():
        table, key = place.split("__")
        tables[table][key] = value
    return tables


def study(**comparison):
    """Content of a small study file; with a comparison if its keys are given."""
    wind = {
        "distribution": "normal", "mean": "0 mph", "sd": "3 mph", "role": "environment", "basis": "assumption",
        "source": "light wind",
    }  # fmt: skip
    discharge = {"distribution": "uniform", "low": 0.95, "high": 0.99, "role": "unknown", "basis": "published",
                 "source": "handbooks"}  # fmt: skip
    return {
        "title": "t", "units": "us", "seed": 1, "base_samples": 4, "outputs": ["effective_reach"],
        "fixed": {"tip_diameter": "1 in"},
        "parameters": {"wind_along": wind, "discharge_coefficient": discharge},
        **content(), **({"comparison": comparison} if comparison else {}),
    }  # fmt: skip


def fog(**changes):
    """A comparison: a fog nozzle on straight stream."""
    coherence = {"distribution": "uniform", "low": 0.4, "high": 0.9, "role": "unknown", "basis": "assumption",
                 "source": "nobody measured it"}  # fmt: skip
    return {
        "name": "fog nozzle", "rated_flow": "150 gpm", "rated_pressure": "50 psi",
        "parameters": {"equivalent_diameter_ratio": coherence}, **changes,
    }  # fmt: skip
