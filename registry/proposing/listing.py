"""How a column writes the injured structures: one or several in a cell, with their extents or beside them."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

from registry.dictionary.injury import JOINT
from registry.proposing.contents import Profile
from registry.proposing.vocabulary import code_words, spellings, words_beside

SEPARATORS = ("+", ";", "|", "/", ",")
SHAPES = ("structure (extent)", "structure:extent", "structure extent", "parallel")
JOINTS = frozenset(code.word for code in JOINT)
READABLE = 0.5
"""Share of cells that must be read in full before a column counts as one of structures."""


@dataclass(frozen=True, kw_only=True)
class ListShape:
    """How the cells are written.

    share
        Share of the filled cells in which every part names a structure that we know.
    structures, extents
        How often each word stands for a structure or an extent, as written.
    has_joints
        Some structure carries its joint (``collateral ulnar PIP``).
    """

    shape: str
    separators: tuple[str, ...]
    share: float
    structures: Counter[str]
    extents: Counter[str]
    has_joints: bool


def list_shape(column: Profile) -> ListShape | None:
    """Return how a column writes structures, or None when it does not seem to.

    Examples
    --------
    >>> from registry.proposing.contents import profile
    >>> seen = list_shape(profile(["A2 Ruptur + A3 Teilruptur", "A4 Zerrung"]))
    >>> seen.shape, seen.separators, sorted(seen.extents)
    ('structure extent', ('+',), ['Ruptur', 'Teilruptur', 'Zerrung'])
    """
    best: ListShape | None = None
    occurring = [separator for separator in SEPARATORS if any(separator in text for text in column.counts)]
    for shape in SHAPES:
        chosen: tuple[str, ...] = ()
        reading = _reading(column, shape, chosen)
        for separator in occurring:
            further = _reading(column, shape, (*chosen, separator))
            if further.share > reading.share:
                chosen, reading = (*chosen, separator), further
        if best is None or reading.share > best.share:
            best = reading
    return best if best and best.share >= READABLE else None


def is_structure(word: str) -> bool:
    """Say whether the vocabulary knows a structure, with or without its joint."""
    return _structure(word)[0] != ""


def structure_code(word: str) -> str:
    """Return our code for a structure's word without its joint, '' when it is unknown."""
    return _structure(word)[0]


def without_joint(word: str) -> str:
    """Return the structure's word as written, its joint taken off."""
    tokens = re.split(r"[\s_]+", word.strip())
    return " ".join(tokens[:-1]) if len(tokens) > 1 and tokens[-1].casefold() in JOINTS else word.strip()


def split_cell(text: str, separators: tuple[str, ...]) -> list[str]:
    """Return the parts of a cell."""
    if not separators:
        return [text.strip()]
    return [part.strip() for part in re.split("|".join(map(re.escape, separators)), text)]


def split_part(part: str, shape: str) -> tuple[str, str]:
    """Return (structure, extent) as written; ('', '') when the part is not of that shape."""
    if shape == "parallel":
        return part, ""
    if shape == "structure (extent)":
        match = re.fullmatch(r"(.+?)\s*\((.+)\)", part)
        return (match[1], match[2].strip()) if match else ("", "")
    if shape == "structure:extent":
        structure, mark, extent = part.partition(":")
        return (structure.strip(), extent.strip()) if mark else ("", "")
    tokens = part.split()
    for n in range(len(tokens) - 1, 0, -1):
        if is_structure(" ".join(tokens[:n])):
            return " ".join(tokens[:n]), " ".join(tokens[n:])
    for n in range(1, len(tokens)):
        if any(s in code_words("extent") or s in words_beside("extent")[1] for s in spellings(" ".join(tokens[n:]))):
            return " ".join(tokens[:n]), " ".join(tokens[n:])
    return "", ""


def _reading(column: Profile, shape: str, separators: tuple[str, ...]) -> ListShape:
    structures: Counter[str] = Counter()
    extents: Counter[str] = Counter()
    whole = 0
    has_joints = False
    for text, n in column.counts.items():
        parts = [split_part(part, shape) for part in split_cell(text, separators)]
        for structure, extent in parts:
            if not structure:
                continue
            structures[without_joint(structure)] += n
            has_joints = has_joints or without_joint(structure) != structure
            if extent:
                extents[extent] += n
        if all(is_structure(structure) and not _is_several(structure[-1] + extent) for structure, extent in parts):
            whole += n
    share = whole / column.n_filled if column.n_filled else 0.0
    return ListShape(
        shape=shape, separators=separators, share=share, structures=structures, extents=extents, has_joints=has_joints
    )


def _is_several(extent: str) -> bool:
    return any(separator in extent for separator in SEPARATORS)


def _structure(word: str) -> tuple[str, bool]:
    listed = code_words("structure")
    for text, joined in ((word, False), (without_joint(word), True)):
        for spelling in spellings(text):
            if spelling in listed:
                return listed[spelling], joined
    return "", False
