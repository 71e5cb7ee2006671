"""The cautions that README, every report and every study's last lines carry, in one place."""

import textwrap

CAUTIONS = (
    "These are estimates for planning and teaching. They do not replace measured tests, the manufacturer's "
    "data, local procedures, the codes that apply, or the judgement of a licensed professional.",
    "Never set a fireground pressure from these numbers alone: verify it with an in-line gauge and a flowmeter.",
    "No result here shows that a crew can hold a line. Only the steady nozzle reaction is counted; opening, "
    "closing, moving and slipping add to it.",
    "Live tests need competent supervision, protective equipment, a clear and marked area, and slow valve "
    "movements: a fast valve causes water hammer, and a loose line whips.",
    "Keep every stream away from electrical equipment. Clearances come from the utility and from local "
    "procedure, not from this report.",
    "The model covers water, nozzle, line and flight. It holds no fire, no building and no extinguishment.",
)


def printed(width: int = 88) -> str:
    """The cautions as a list for the terminal.

    Parameters
    ----------
    width : int, optional
        Characters per line.

    Returns
    -------
    str
        Lines without a final line break.
    """
    items = (textwrap.fill(text, width, initial_indent="- ", subsequent_indent="  ") for text in CAUTIONS)
    return "\n".join(("Cautions", *items))
