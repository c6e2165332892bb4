"""A list in a cell becomes one row a structure: "A2 Ruptur + A3 Teilruptur", "a2 (complete), a3 (partial)"."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TypeVar

from registry.dictionary.injury import EXTENTS, JOINT, STRUCTURES
from registry.maps.cells import BLANKS, same_word
from registry.maps.model import ColumnMap, ListRule

JOINTS = tuple(joint.word for joint in JOINT)
IN_BRACKETS = re.compile(r"(.*?)[ \t]*[(\[]([^()\[\]]*)[)\]]")
WITH_JOINT = re.compile(r"([a-z0-9_]+)\(([a-z]+)\)")
BETWEEN_WORDS = ":=,;-\u2013\u2014()[]"
"""Signs that may stand between a structure and its extent and say nothing: "A2: Ruptur", "A2 - Ruptur"."""
LONGEST_PART = 200
"""Characters of one structure with its extent; more are no list but a text."""

Meaning = TypeVar("Meaning")
Place = tuple[str, str]
"""(structure, joint); ('', '') for a word that says that nothing was found."""
NOTHING: Place = ("", "")


@dataclass(frozen=True)
class Listed:
    """What one list says: (structure, joint, extent) of each part, or the reason code of the first fault."""

    parts: tuple[tuple[str, str, str], ...] = ()
    column: str = ""
    code: str = ""


@dataclass(frozen=True)
class Known:
    """The words for structures and extents, as they are compared."""

    structures: dict[str, Place]
    extents: dict[str, str]


def list_reader(rule: ListRule, column_map: ColumnMap) -> Callable[[str, str], Listed]:
    """Return the function that reads (the list, the list of extents beside it or '')."""
    extents = {same_word(word): word for word in EXTENTS}
    if rule.extents:
        extents |= {same_word(word): ours for word, ours in column_map.words_table(rule.extents).items()}
    structures = _structures(column_map.words_table(rule.structures) if rule.structures else {})
    known = Known(_with_plain(structures), _with_plain(extents))

    def of_list(text: str, beside: str) -> Listed:
        if rule.shape == "parallel":
            return _parallel(text, beside, rule, known)
        parts = []
        for item in _split(text, rule.separators):
            if not item or known.structures.get(same_word(item)) == NOTHING:
                continue
            part = _part(item, rule.shape, known) if len(item) <= LONGEST_PART else None
            if part is None:
                alone = len(item) <= LONGEST_PART and _of(item.rstrip(":"), known.structures) is not None
                return Listed(column=rule.column, code="extent_missing" if alone else "unknown_word")
            parts.append(part)
        return _checked(parts, rule.column)

    return of_list


def _parallel(text: str, beside: str, rule: ListRule, known: Known) -> Listed:
    items, extents = _split(text, rule.separators), _split(beside, rule.separators)
    if len(items) != len(extents) or any(
        bool(item) != bool(extent) for item, extent in zip(items, extents, strict=True)
    ):
        return Listed(column=rule.column, code="lists_differ")
    parts = []
    for item, extent in zip(items, extents, strict=True):
        if not item:
            continue
        place, found = _of(item, known.structures), _of(extent, known.extents)
        if not place or place == NOTHING or not found:
            return Listed(
                column=rule.extents_column if place and place != NOTHING else rule.column, code="unknown_word"
            )
        parts.append((*place, found))
    return _checked(parts, rule.column)


def _checked(parts: list[tuple[str, str, str]], column: str) -> Listed:
    """Count what is said twice in the same way once; a structure with two extents is held."""
    once = tuple(dict.fromkeys(parts))
    if len({part[:2] for part in once}) < len(once):
        return Listed(column=column, code="listed_twice")
    return Listed(once)


def _split(text: str, separators: tuple[str, ...]) -> list[str]:
    """Split a list; what is empty between two separators stays, what is empty at the end does not."""
    pattern = "|".join(re.escape(separator) for separator in separators)
    items = [item.strip(BLANKS) for item in (re.split(pattern, text) if pattern else [text])]
    while items and not items[-1]:
        items.pop()
    return items


def _structures(words: dict[str, str]) -> dict[str, Place]:
    """Return every spelling of a structure -> (structure, joint): ours, the map's, each with a joint beside it."""
    bare: dict[str, Place] = {same_word(code): (code, "") for code in STRUCTURES}
    for word, ours in words.items():
        with_joint = WITH_JOINT.fullmatch(ours)
        bare[same_word(word)] = (with_joint.group(1), with_joint.group(2)) if with_joint else (ours, "")
    known = dict(bare)
    for word, (code, joint) in bare.items():
        if code and not joint:
            for beside in JOINTS:
                known.setdefault(f"{word} {beside}", (code, beside))
                known.setdefault(f"{beside} {word}", (code, beside))
    return known


def _plain(text: str) -> str:
    """Return a word without brackets and the signs at the ends of its parts.

    Examples
    --------
    >>> _plain("collateral_ulnar (PIP):"), _plain("A2 - Ruptur")
    ('collateral ulnar pip', 'a2 ruptur')
    """
    spaced = re.sub(r"[()\[\]]", " ", same_word(text))
    return " ".join(part.strip(BETWEEN_WORDS) for part in spaced.split() if part.strip(BETWEEN_WORDS))


def _with_plain(known: dict[str, Meaning]) -> dict[str, Meaning]:
    """Add the plain spelling of each word, where only one meaning has it."""
    plain: dict[str, set[Meaning]] = {}
    for word, meaning in known.items():
        plain.setdefault(_plain(word), set()).add(meaning)
    return {word: next(iter(some)) for word, some in plain.items() if word and len(some) == 1} | known


def _of(text: str, known: dict[str, Meaning]) -> Meaning | None:
    found = known.get(same_word(text))
    return found if found is not None or not text.strip(BLANKS) else known.get(_plain(text))


def _part(item: str, shape: str, known: Known) -> tuple[str, str, str] | None:
    """Read one structure with its extent; None where a word is unknown, or where two ways of reading differ."""
    if shape == "structure (extent)":
        found = IN_BRACKETS.fullmatch(item)
        splits: Iterable[tuple[str, str]] = [(found.group(1), found.group(2))] if found else [(item, "")]
    elif shape == "structure:extent":
        before, colon, behind = item.rpartition(":")
        splits = [(before, behind) if colon else (item, "")]
    else:
        splits = _splits(item, first=shape == "structure extent")
    read = {
        (*place, extent)
        for structure, grade in splits
        if (place := _of(structure, known.structures)) and place != NOTHING and (extent := _of(grade, known.extents))
    }
    return read.pop() if len(read) == 1 else None


def _splits(item: str, *, first: bool) -> list[tuple[str, str]]:
    """Return every way to part the words of an item into (structure, extent)."""
    parted = []
    for words in {same_word(item): None, _plain(item): None}:
        parts = words.split(" ")
        for n in range(0 if not first else 1, len(parts) + (1 if first else 0)):
            one, other = " ".join(parts[:n]), " ".join(parts[n:])
            parted.append((one, other) if first else (other, one))
    return parted
