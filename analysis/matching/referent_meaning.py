"""What an odds ratio of cases against referents says, and what it cannot say, by how the referents were drawn."""

from __future__ import annotations

from typing import Final

PLURAL: Final = {"climber": "climbers", "session": "sessions", "move": "moves"}

_ODDS: Final = "The odds of an {what} at one level of an exposure against those at its reference"
_RATE: Final = "The rate of an {what} per {unit} at one level of an exposure, as a multiple of that at its reference"
_OWN: Final = (
    "The rate of a sudden {what} in {units} with the exposure, as a multiple of that in {units} of the same climber at "
    "its reference (case-crossover)."
)
MEANINGS: Final = {
    "unmatched": {
        "climber": f"{_ODDS}: near the ratio of risks as long as few climbers are injured.",
        "session": f"{_RATE}, provided that every session had the same chance of being sampled.",
        "move": f"{_RATE}, provided that every move had the same chance of being sampled.",
    },
    "density": {
        "climber": f"{_RATE} and time at risk, however common it is: referents were at risk when a case happened.",
        "session": f"{_RATE}: referents are sessions from the time of a case.",
        "move": f"{_RATE}: referents are moves from the time of a case.",
    },
    "matched": {
        "climber": f"{_ODDS}, with what a matched set shares held equal: near the ratio of risks as long as few "
        "climbers are injured.",
        "session": f"{_RATE}, with what a matched set shares held equal.",
        "move": f"{_RATE}, with what a matched set shares held equal.",
    },
    "own_earlier": {"session": _OWN, "move": _OWN},
}
"""Rothman & Greenland 1998, Modern Epidemiology, chapter 7; Maclure 1991 (both from memory)."""

NO_RISK: Final = "It is no risk and no rate by itself, and cannot be compared with ratios from within cases."
CANNOT: Final = {
    "unmatched": "It also carries every difference in how cases and referents came to be recorded: who is seen, who "
    "keeps a diary, which {units} a coach notes.",
    "density": "It also carries every difference in how cases and referents came to be recorded.",
    "matched": "It says nothing about what the sets were matched on.",
    "own_earlier": "It says nothing about what stays with a climber (sex, level, habits), about gradual onsets or "
    "about effects that outlast the {unit}; an exposure that was becoming more or less common in those weeks (a "
    "season, a training plan) shifts it.",
}


def meaning(sampling: str, unit: str, what: str) -> str:
    """Say in one sentence what the ratio means.

    Parameters
    ----------
    sampling, unit
        How the referents were drawn, and what they are.
    what
        What the cases have, such as 'injury'.

    Examples
    --------
    >>> meaning("unmatched", "move", "injury")[:35]
    'The rate of an injury per move at o'
    """
    return MEANINGS[sampling][unit].format(what=what, unit=unit, units=PLURAL[unit])


def cannot_mean(sampling: str, unit: str) -> str:
    """Say what must not be read from the ratio.

    Parameters
    ----------
    sampling, unit
        How the referents were drawn, and what they are.

    Examples
    --------
    >>> cannot_mean("matched", "climber").endswith("It says nothing about what the sets were matched on.")
    True
    """
    return f"{NO_RISK} {CANNOT[sampling].format(unit=unit, units=PLURAL[unit])}"
