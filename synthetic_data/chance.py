"""Draws of one value at a time, from Python's own generator: the same on every platform and numpy version."""

from __future__ import annotations

import math
from collections.abc import Mapping
from random import Random


def pick(shares: Mapping[str, float], chance: Random) -> str:
    """Draw one word with probability proportional to its share."""
    left = chance.random() * sum(shares.values())
    for word, share in shares.items():
        left -= share
        if left < 0:
            return word
    # Rounding can leave a hair over the last share.
    return next(reversed(tuple(shares)))


def happens(probability: float, chance: Random) -> bool:
    """Say whether something of this probability happens."""
    return chance.random() < probability


def days_around(median: float, sigma: float, chance: Random, *, least: int = 0) -> int:
    """Draw whole days from a log-normal distribution with this median and log-scale spread."""
    return max(least, round(median * math.exp(sigma * chance.gauss(0.0, 1.0))))
