"""The words in which the agronomy answers: a verdict, and findings each with its reason and its mend."""

from dataclasses import dataclass
from enum import Enum


class Verdict(Enum):
    """Whether to go ahead, from best to worst."""

    MIXES = "mixes"
    WITH_CARE = "with care"
    DO_NOT = "do not"

    @classmethod
    def worst(cls, *verdicts: "Verdict") -> "Verdict":
        """Return the worst of them; MIXES for none."""
        order = list(cls)
        return max(verdicts, key=order.index, default=cls.MIXES)


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that speaks for care, or against it altogether."""

    verdict: Verdict
    what: str
    """A stable word: saturation, pair, mineral, cooling, nature, water, jar_test, chloride ..."""
    reason: str
    mend: str
    """What to do: more water, warmer, two tanks; empty where nothing is to be done."""
