"""Whether independent estimates of one quantity agree, what they say together, and how far that can be relied on."""

import math
from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple


class Estimate(NamedTuple):
    """A quantity and how well it is known, in one unit."""

    value: float
    u: float
    """k = 2; more than 0."""


BEYOND: Final = 1.5
"""Of a normalised error: k = 3. Of a hundred sound parts five lie beyond their k = 2, and none of them is a mistake."""


def normalised_error(one: Estimate, other: Estimate) -> float:
    """Return the difference over the k = 2 of both in quadrature: E_n (ISO 13528:2015, 9.7; ISO/IEC 17043, B.3.1.3).

    Positive where `one` is more. Beyond ±1 two estimates that share no error do not agree.
    """
    return (one.value - other.value) / math.hypot(one.u, other.u)


def agree(estimates: Sequence[Estimate]) -> bool:
    """Return whether each of the estimates, which share no error, agrees with each other one."""
    return all(
        abs(normalised_error(one, other)) <= 1.0
        for number, one in enumerate(estimates)
        for other in estimates[number + 1 :]
    )


def weighted(estimates: Iterable[Estimate]) -> Estimate:
    """Return the mean of estimates that share no error, each weighted by 1/u² (GUM, JCGM 100:2008, H.5.2.5).

    It is better known than the best of them. Raises ValueError for no estimate.
    """
    weights = [(1.0 / estimate.u**2, estimate.value) for estimate in estimates]
    if not weights:
        raise ValueError("no estimate to take a mean of")
    total = sum(weight for weight, _ in weights)
    return Estimate(sum(weight * value for weight, value in weights) / total, 1.0 / math.sqrt(total))


def enclosing(estimates: Sequence[Estimate]) -> Estimate:
    """Return the weighted mean of estimates that do not agree, with a band that holds each of them with its own.

    The best known is still the likeliest, and nobody knows which of them is right. Raises ValueError for no estimate.
    """
    value = weighted(estimates).value
    return Estimate(value, max(abs(estimate.value - value) + estimate.u for estimate in estimates))


def together(estimates: Sequence[Estimate]) -> Estimate:
    """Return what estimates that share no error say: a weighted mean, with a band that holds all if they disagree."""
    return weighted(estimates) if agree(estimates) else enclosing(estimates)
