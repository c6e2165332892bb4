"""The parts of a finger, of the thumb and of a joint, as outlines of our own: what lies where, seen from the palm.

A digit stands upright with its MCP joint at y = 0; x points to the radial side, as in a right hand seen from the
palm. All fingers are drawn to one length: the proximal phalanx 6.2 units, the middle one 3.7 (their ratio as in
a hand, 1.7; from memory). A1 lies over the MCP joint, A2 along most of the proximal phalanx, A3 over the PIP joint,
A4 along the middle phalanx, A5 over the DIP joint, C1 to C3 between them; the thumb has A1 over its MCP joint, the
oblique pulley across the proximal phalanx, from its ulnar base to its radial neck, and A2 at the IP joint (general
anatomy, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from reports.pictures.hand_outline import Pairs, Points, smooth

BOTTOM: Final = -3.5
"""Where the palm is cut off."""
FINGER_JOINTS: Final = {"MCP": 0.0, "PIP": 6.2, "DIP": 9.93}
THUMB_JOINTS: Final = {"MCP": 0.0, "IP": 4.6}
PULLEY: Final = 0.78
SHEATH: Final = 0.64


@dataclass(frozen=True, eq=False)
class Part:
    """One structure.

    Its closed outlines, where its count stands, how wide that place is, and where a line from its label ends (at the
    right; mirrored at the left).
    """

    structure: str
    outlines: tuple[Points, ...]
    place: tuple[float, float]
    room: float
    anchor: tuple[float, float]
    tall: bool = False
    """Whether a sign stands above the count, and a long count upright: there is no room beside it."""


@dataclass(frozen=True, eq=False)
class Scheme:
    """What is drawn: the skin (an open line), bones without a count, and the parts, deepest first."""

    skin: Points
    bones: tuple[Points, ...]
    parts: tuple[Part, ...]
    joints: dict[str, float]
    low: float
    high: float


def box(low: float, high: float, half: float, *, round_by: float = 0.16, x: float = 0.0) -> Points:
    """Return a rectangle with round corners, symmetric about x."""
    turn = np.linspace(0, np.pi / 2, 5)
    corners = [(half, high, 0.0), (-half, high, np.pi / 2), (-half, low, np.pi), (half, low, 1.5 * np.pi)]
    points = []
    for side, level, start in corners:
        centre = (side - np.sign(side) * round_by, level - (1 if level == high else -1) * round_by)
        points += [
            (x + centre[0] + round_by * np.cos(start + t), centre[1] + round_by * np.sin(start + t)) for t in turn
        ]
    return np.array(points)


def both_sides(side: Pairs) -> Points:
    """Return the closed smooth outline of which one side is given, from the bottom to the top."""
    right = np.asarray(side, dtype=float)
    return smooth(np.vstack([right, (right * [-1.0, 1.0])[::-1]]), closed=True)


def bone(low: float, high: float, *, base: float, shaft: float, head: float) -> Points:
    """Return a phalanx: a broad base, a waist, and a head."""
    long = high - low
    side = [
        (base * 0.55, low - 0.02 * long),
        (base, low + 0.05 * long),
        (base * 0.93, low + 0.13 * long),
        (shaft, low + 0.42 * long),
        (shaft, low + 0.62 * long),
        (head, low + 0.9 * long),
        (head * 0.8, high - 0.01 * long),
        (head * 0.35, high),
    ]
    return both_sides(side)


def cross(low: float, high: float, half: float, *, thick: float = 0.24) -> Points:
    """Return a cruciate pulley: two crossing bands as one outline, notched on all four sides."""
    middle, rise = (low + high) / 2, (high - low) / 2
    inside = half - 1.3 * thick
    corner = [(half, rise), (half, rise - 0.55 * thick), (0.5 * half, 0.0)]
    side = [*corner, *[(x, -y) for x, y in corner[-2::-1]]]
    bottom = [(inside, -rise), (0.0, -0.3 * rise), (-inside, -rise)]
    outline = [*side, *bottom, *[(-x, -y) for x, y in side], *[(-x, -y) for x, y in bottom]]
    return np.array([(x, middle + y) for x, y in outline])


def _annular(structure: str, low: float, high: float) -> Part:
    return Part(
        structure, (box(low, high, PULLEY),), (0.0, (low + high) / 2), 2 * PULLEY - 0.1, (PULLEY, (low + high) / 2)
    )


def _cruciate(structure: str, low: float, high: float) -> Part:
    return Part(
        structure, (cross(low, high, SHEATH),), (0.0, (low + high) / 2), 2 * SHEATH - 0.1, (SHEATH - 0.05, high - 0.12)
    )


def _skin(side: Pairs, tip: float) -> Points:
    left = [(-x, y) for x, y in side]
    return smooth([*left, (0.0, tip), *reversed(side)])


@cache
def finger() -> Scheme:
    """Return a finger's flexor side: tendons in their sheath, pulleys, and the lumbrical in the palm.

    Examples
    --------
    >>> heights = {part.structure: part.place[1] for part in finger().parts}
    >>> sorted((name for name in heights if name[0] in "ac"), key=heights.get)
    ['a1', 'a2', 'c1', 'a3', 'c2', 'a4', 'c3', 'a5']
    """
    slips = tuple(
        smooth(
            np.array(
                [(0.0, 3.6), (0.4, 4.4), (0.44, 5.6), (0.3, 7.2), (0.52, 7.6), (0.62, 5.6), (0.6, 4.2), (0.5, 3.2)]
            )
            * [side, 1.0],
            closed=True,
        )
        for side in (-1.0, 1.0)
    )
    # A Catmull-Rom line keeps the tendons smooth where they leave the carpal tunnel.
    trunk_right = smooth([(0.5, 4.2), (0.52, 2.0), (0.52, 0.4), (0.42, -0.9), (0.14, -2.2), (0.02, BOTTOM)], steps=6)
    trunk_left = smooth(
        [(-1.02, BOTTOM), (-0.9, -2.2), (-0.64, -0.9), (-0.54, 0.4), (-0.52, 2.0), (-0.5, 4.2)], steps=6
    )
    trunk = np.vstack([trunk_left, [(0.0, 3.75)], trunk_right])
    deep_side = smooth([(0.34, 3.4), (0.34, 9.7), (0.37, 10.2), (0.5, 10.8), (0.48, 11.25), (0.3, 11.42)], steps=6)
    deep = np.vstack([deep_side, (deep_side * [-1.0, 1.0])[::-1]])
    belly = smooth(
        [
            (0.16, BOTTOM),
            (0.2, -2.6),
            (0.5, -1.3),
            (0.8, 0.1),
            (0.88, 0.9),
            (0.98, 0.9),
            (1.06, 0.0),
            (1.2, -1.3),
            (1.12, -2.6),
            (0.8, BOTTOM),
        ],
        steps=8,
    )
    parts = (
        Part("lumbrical", (belly,), (0.71, -2.35), 0.86, (1.14, -2.0), tall=True),
        Part("fdp_tendon", (deep,), (0.0, 10.88), 0.96, (0.5, 10.88)),
        Part("fds_tendon", (*slips, trunk), (-0.2, -1.35), 1.0, (0.8, -1.75), tall=True),
        Part("tendon_sheath", (box(0.62, 1.28, SHEATH, round_by=0.08),), (0.0, 0.95), 1.2, (SHEATH, 0.95)),
        _annular("a1", -0.52, 0.55),
        _annular("a2", 1.36, 4.9),
        _cruciate("c1", 5.02, 5.74),
        _annular("a3", 5.84, 6.56),
        _cruciate("c2", 6.66, 7.3),
        _annular("a4", 7.4, 8.85),
        _cruciate("c3", 8.95, 9.5),
        _annular("a5", 9.6, 10.27),
    )
    side = [(1.34, BOTTOM), (1.34, -1.2), (1.33, 1.0), (1.27, 2.3), (1.13, 3.3), (1.12, 4.8), (1.16, 6.2), (1.08, 8.0)]
    side += [(1.07, 9.9), (0.99, 11.2), (0.62, 12.15)]
    bones = (
        bone(BOTTOM - 2, -0.12, base=0.9, shaft=0.55, head=0.9),
        bone(0.12, 6.06, base=0.88, shaft=0.6, head=0.76),
        bone(6.32, 9.82, base=0.78, shaft=0.52, head=0.66),
        bone(10.04, 12.0, base=0.66, shaft=0.36, head=0.42),
    )
    return Scheme(_skin(side, 12.5), bones, parts, FINGER_JOINTS, BOTTOM, 12.5)


@cache
def thumb() -> Scheme:
    """Return the thumb's flexor side: one long tendon, two annular pulleys and the oblique one between them.

    Examples
    --------
    >>> [part.structure for part in thumb().parts]
    ['fpl_tendon', 'tendon_sheath', 'a1', 'thumb_oblique_pulley', 'a2']
    >>> list(thumb().joints)
    ['MCP', 'IP']
    """
    left = [(-0.9, BOTTOM), (-0.78, -2.2), (-0.54, -0.9), (-0.42, 0.4), (-0.38, 4.6), (-0.4, 5.1), (-0.52, 5.75)]
    right = [(0.52, 5.75), (0.4, 5.1), (0.38, 4.6), (0.4, 0.4), (0.28, -0.9), (0.04, -2.2), (-0.1, BOTTOM)]
    tendon = np.vstack(
        [smooth([*left, (-0.5, 6.2), (-0.3, 6.4)], steps=6), smooth([(0.3, 6.4), (0.5, 6.2), *right], steps=6)]
    )
    oblique = np.array([(-PULLEY, 1.4), (-PULLEY, 2.55), (PULLEY, 3.95), (PULLEY, 2.8)])
    parts = (
        Part("fpl_tendon", (tendon,), (0.0, 5.8), 0.98, (0.5, 5.85)),
        Part("tendon_sheath", (box(0.64, 1.3, SHEATH, round_by=0.08),), (0.0, 0.97), 1.2, (SHEATH, 0.97)),
        _annular("a1", -0.52, 0.56),
        Part("thumb_oblique_pulley", (oblique,), (0.0, 2.68), 1.4, (PULLEY, 3.3)),
        _annular("a2", 4.22, 5.0),
    )
    side = [(1.34, BOTTOM), (1.38, -2.0), (1.36, -0.2), (1.2, 1.4), (1.16, 3.0), (1.24, 4.6), (1.16, 5.9), (0.72, 7.2)]
    bones = (
        bone(BOTTOM - 2, -0.12, base=0.9, shaft=0.6, head=0.92),
        bone(0.12, 4.46, base=0.9, shaft=0.62, head=0.8),
        bone(4.74, 7.1, base=0.78, shaft=0.42, head=0.5),
    )
    return Scheme(_skin(side, 7.6), bones, parts, THUMB_JOINTS, BOTTOM, 7.6)


@cache
def joint() -> Scheme:
    """Return the PIP joint enlarged, opened from the palm: bones, growth plate, capsule, volar plate, ligaments.

    The joint line lies at y = 0. The volar plate is fixed to the base of the middle phalanx and ends proximally in
    its two check-rein ligaments; the collateral ligaments run beside the joint; the growth plate lies at the base
    of the middle phalanx, on the far side of the joint surface.
    """
    proximal = both_sides(
        [(0.7, -6.6), (0.66, -4.8), (0.76, -3.2), (1.02, -1.5), (1.04, -0.7), (0.8, -0.14), (0.36, -0.1)]
    )
    distal = both_sides([(0.54, 0.12), (1.02, 0.1), (1.12, 0.7), (0.99, 1.7), (0.68, 3.2), (0.65, 5.6)])
    plate = [(0.88, -0.08), (0.9, -1.5), (0.78, -2.0), (0.78, -2.8), (0.45, -2.8), (0.38, -2.15)]
    volar = np.array([*plate, *[(-x, y) for x, y in reversed(plate)]])
    growth = np.array([(1.07, 1.12), (0.92, 2.0), (-0.92, 2.0), (-1.07, 1.12)])
    rim = [(1.03, 0.14), (1.11, 0.6), (1.05, 0.98), (0.0, 0.9), (-1.05, 0.98), (-1.11, 0.6), (-1.03, 0.14), (0.0, 0.06)]
    surface = smooth(rim, closed=True)
    strip = [(1.1, -2.0), (1.55, -2.2), (2.22, -1.2), (2.27, 0.4), (1.9, 1.55), (1.16, 1.75), (1.2, 0.4), (1.12, -0.9)]
    radial = smooth(strip, closed=True)
    sleeve = both_sides([(0.6, -4.4), (0.9, -4.2), (1.12, -3.4), (1.3, -2.2), (1.32, -0.8), (1.24, 0.5), (0.8, 0.8)])
    ulnar = radial * [-1.0, 1.0]
    parts = (
        Part("phalanx", (proximal, distal), (0.0, 3.2), 1.4, (0.68, 3.4), tall=True),
        Part("capsule", (sleeve,), (0.0, -3.78), 1.9, (1.1, -3.3), tall=True),
        Part("cartilage", (surface,), (0.0, 0.52), 2.0, (1.04, 0.52)),
        Part("growth_plate", (growth,), (0.0, 1.56), 1.8, (0.97, 1.62)),
        Part("volar_plate", (volar,), (0.0, -1.28), 1.6, (0.62, -2.6), tall=True),
        Part("collateral_ulnar", (ulnar,), (-1.72, -0.3), 1.2, (2.22, -0.6), tall=True),
        Part("collateral_radial", (radial,), (1.72, -0.3), 1.2, (2.22, -0.6), tall=True),
    )
    skin = np.array([])
    return Scheme(skin, (), parts, {"PIP": 0.0}, -5.0, 4.6)
