"""The report card: what a reader needs to judge a study."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from jetsim.report.style import ROLE_WORDS

NOT_APPLICABLE = "does not apply"  # where nothing is estimated that could settle


@dataclass(frozen=True)
class InputLine:
    """One uncertain input on the report card: what it is, how it varies, and what that rests on."""

    name: str
    distribution: str
    role: str
    basis: str
    source: str

    @property
    def role_words(self) -> str:
        """The role in plain words."""
        return ROLE_WORDS.get(self.role, self.role)


@dataclass(frozen=True)
class ReportCard:
    """What a reader needs to judge the study.

    Attributes
    ----------
    question : str
    method : str
        Estimator and design in one sentence.
    runs, seed, failures : int
    intervals : str
        What the intervals are.
    convergence : str
        Whether the gate passed, and the widest half-width.
    sum_of_first_order : mapping of output to float
    negative_estimates : str
        How many, and the lowest.
    structural_alternatives : sequence of str
        Laws that were tried besides the leading one; empty says so.
    inputs : sequence of InputLine
    fixed : mapping of str to str
        What did not vary.
    more : mapping of str to str
        Further lines.
    """

    question: str
    method: str
    runs: int
    seed: int
    failures: int
    intervals: str
    convergence: str
    sum_of_first_order: Mapping[str, float] = field(default_factory=dict)
    negative_estimates: str = "none"
    structural_alternatives: Sequence[str] = ()
    inputs: Sequence[InputLine] = ()
    fixed: Mapping[str, str] = field(default_factory=dict)
    more: Mapping[str, str] = field(default_factory=dict)

    def lines(self) -> dict[str, str]:
        """Everything but the inputs, label to words, in reading order."""
        sums = ", ".join(f"{name} {value:.2f}" for name, value in self.sum_of_first_order.items())
        return {
            "Question": self.question,
            "Method": self.method,
            "Runs": f"{self.runs:,}",
            "Seed": str(self.seed),
            "Failed runs": f"{self.failures:,}" if self.failures else "none",
            "Intervals": self.intervals,
            "Convergence": self.convergence,
            **({"Sum of first-order indices": sums} if sums else {}),
            "Negative estimates": self.negative_estimates,
            "Other laws tried": "; ".join(self.structural_alternatives) or "none in this study",
            **self.more,
        }
