"""What an injury is: finger, structures, mechanism and grip, drawn at the moment when the hazard strikes."""

from __future__ import annotations

import re
from dataclasses import dataclass
from random import Random

from synthetic_data.chance import happens, pick
from synthetic_data.truth import Truth

NEIGHBOUR = {"index": "middle", "middle": "ring", "ring": "middle", "little": "ring", "thumb": "index"}
CELL = re.compile(r"(?P<structure>\w+?)(\((?P<joint>\w+)\))?:(?P<extent>\w+)")


@dataclass(frozen=True)
class Lesion:
    """One injured structure."""

    structure: str
    joint: str
    extent: str


@dataclass(frozen=True, kw_only=True)
class Injury:
    """One injured finger as it truly is."""

    side: str
    digit: str
    onset_mode: str
    diagnosis: str
    severity: str
    lesions: tuple[Lesion, ...]
    mechanism: str
    grip: str
    activity: str
    pop: bool

    @property
    def place(self) -> tuple[str, str]:
        """Hand and finger."""
        return self.side, self.digit

    @property
    def sudden(self) -> bool:
        """Whether there was one moment at which it happened."""
        return self.onset_mode == "sudden"


def lesions_of(cell: str) -> tuple[Lesion, ...]:
    """Read ``a2:complete; volar_plate(pip):partial``."""
    return tuple(
        Lesion(found["structure"], found["joint"] or "", found["extent"])
        for part in cell.split(";")
        if (found := CELL.fullmatch(part.strip()))
    )


def draw_injury(truth: Truth, *, age: int, dominant_hand: str, chance: Random) -> Injury:
    """Draw a first injury.

    Parameters
    ----------
    age
        Whole years; from 10 to 16 what is not sudden often is an injury of the growth plate.
    """
    mode = pick(truth.onset_mode, chance)
    grip = pick(truth.grips.at_injury, chance) if mode != "repetitive_gradual" else "not_applicable"
    growing = 10 <= age <= 16 and mode != "sudden"
    shares = dict(truth.diagnosis["growing" if growing else mode])
    for diagnosis, odds in truth.grip_odds.get(grip, {}).items():
        if diagnosis in shares:
            shares[diagnosis] *= odds
    diagnosis = pick(shares, chance)
    side = dominant_hand if dominant_hand != "both" else "right"
    if not happens(0.54, chance):
        side = "left" if side == "right" else "right"
    return _finger(truth, side, pick(truth.digits[diagnosis], chance), (mode, diagnosis, grip), chance)


def draw_again(truth: Truth, earlier: Injury, *, chance: Random) -> Injury:
    """Draw another injury of the same finger and diagnosis."""
    mode = earlier.onset_mode
    grip = pick(truth.grips.at_injury, chance) if mode != "repetitive_gradual" else "not_applicable"
    return _finger(truth, earlier.side, earlier.digit, (mode, earlier.diagnosis, grip), chance)


def draw_neighbour(truth: Truth, first: Injury, *, chance: Random) -> Injury:
    """Draw the neighbouring finger, hurt at the same moment in the same grip."""
    digit = NEIGHBOUR[first.digit]
    diagnosis = first.diagnosis if first.digit != "thumb" else "ligament"
    moment = (first.onset_mode, diagnosis, first.grip)
    return _finger(truth, first.side, digit, moment, chance, like=first)


def _finger(
    truth: Truth,
    side: str,
    digit: str,
    moment: tuple[str, str, str],
    chance: Random,
    *,
    like: Injury | None = None,
) -> Injury:
    mode, diagnosis, grip = moment
    severity = pick(truth.severity[diagnosis], chance)
    own = truth.thumb if digit == "thumb" and severity in truth.thumb else truth.structures
    gradual = mode == "repetitive_gradual"
    if like is not None:
        mechanism, activity = like.mechanism, like.activity
    else:
        mechanism = "none" if gradual else _mechanism(truth, diagnosis, chance)
        activity = pick(truth.activities.at_injury, chance)
    return Injury(
        side=side,
        digit=digit,
        onset_mode=mode,
        diagnosis=diagnosis,
        severity=severity,
        lesions=lesions_of(pick(own[severity], chance)),
        mechanism=mechanism,
        grip=grip,
        activity=activity,
        pop=not gradual and happens(truth.recovery[severity].pop, chance),
    )


def _mechanism(truth: Truth, diagnosis: str, chance: Random) -> str:
    if diagnosis in ("ligament", "fracture"):
        return pick(truth.blows, chance)
    return pick(truth.moves.at_injury, chance)
