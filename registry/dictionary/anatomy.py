"""What cannot be in a finger: the thumb has no middle phalanx, and some structures of its own.

Source: general anatomy, from memory. The thumb has two phalanges, hence one interphalangeal joint (ip) where
the others have two (pip, dip), one long flexor (flexor pollicis longus) where the others have two, no
lumbrical, and two annular pulleys with an oblique one between them where the others have five annular and
three cruciform ones.
"""

from __future__ import annotations

from typing import Final

THUMB: Final = "thumb"
FINGERS: Final = ("index", "middle", "ring", "little")

STRUCTURES_NOT_IN_THUMB: Final = (
    "a3",
    "a4",
    "a5",
    "c1",
    "c2",
    "c3",
    "fdp_tendon",
    "fds_tendon",
    "lumbrical",
)
STRUCTURES_ONLY_IN_THUMB: Final = ("fpl_tendon", "thumb_oblique_pulley")
JOINTS_NOT_IN_THUMB: Final = ("pip", "dip")
JOINTS_ONLY_IN_THUMB: Final = ("ip",)


def impossible(digit: str, structure: str) -> bool:
    """Say whether no such structure exists in that digit.

    Parameters
    ----------
    digit, structure
        Words of the code lists. Any other word (unknown, not recorded) rules nothing out.

    Examples
    --------
    >>> impossible("thumb", "a4"), impossible("ring", "a4"), impossible("ring", "fpl_tendon")
    (True, False, True)
    """
    return _ruled_out(digit, structure, STRUCTURES_NOT_IN_THUMB, STRUCTURES_ONLY_IN_THUMB)


def impossible_joint(digit: str, joint: str) -> bool:
    """Say whether that digit has no such joint.

    Parameters
    ----------
    digit, joint
        Words of the code lists. Any other word (unknown, not recorded) rules nothing out.

    Examples
    --------
    >>> impossible_joint("thumb", "pip"), impossible_joint("thumb", "mcp"), impossible_joint("ring", "ip")
    (True, False, True)
    """
    return _ruled_out(digit, joint, JOINTS_NOT_IN_THUMB, JOINTS_ONLY_IN_THUMB)


def _ruled_out(digit: str, part: str, not_in_thumb: tuple[str, ...], only_in_thumb: tuple[str, ...]) -> bool:
    if digit == THUMB:
        return part in not_in_thumb
    return digit in FINGERS and part in only_in_thumb
