"""The words tables of a draft, and every question that a person has to answer before the map is in force."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from registry.proposing.assigning import Assignment
from registry.proposing.contents import MOSTLY, Profile
from registry.proposing.detecting import Guess, TextShape
from registry.proposing.listing import ListShape, split_cell, structure_code
from registry.proposing.matching import Column
from registry.proposing.rules import CODED, Rule, lines_in_force
from registry.proposing.vocabulary import code_words, plain, ray_headers, spellings, words_in
from registry.proposing.wording import CONTEXT, WORD, Words, may_be_shown, options_for, words_of

RAYS = "rays"
SEPARATOR_NAMES = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "upright strokes"}


MAY_BE = {
    "structures": "the injured structures",
    "extents": "the extents of the injuries",
    "ultrasound_on": "the day of an ultrasound examination",
    "mri_on": "the day of an MRI",
    "radiograph_on": "the day of a radiograph",
    "gap_mm": "the gap between tendon and bone",
    "full_from": "the day from which climbing was full",
    "last_contact": "the day of the last contact",
    "seen": "the days of contacts",
    "status": "the climbing state at a contact",
}
"""Targets whose lines wait behind marks: whole rules are built on them, or more than a column has to be said."""


@dataclass(frozen=True)
class Question:
    """One ``[[questions]]`` entry."""

    ask: str
    target: tuple[str, ...]
    options: tuple[str, ...]


@dataclass
class Wording:
    """All words tables of a draft.

    tables
        Target -> the name of its words table.
    words
        The tables, by name.
    columns
        The column that each table's words stand in, by the table's name.
    """

    tables: dict[str, str] = field(default_factory=dict)
    words: dict[str, Words] = field(default_factory=dict)
    columns: dict[str, Column] = field(default_factory=dict)

    @property
    def activity_said(self) -> bool:
        """Say whether the mechanism's column names activities."""
        return "activity" in self.words and "activity" not in self.tables


def wording_of(assignment: Assignment, *, shape: ListShape | None, language: str) -> Wording:
    """Translate the words of every column of codes, sure or asked about."""
    wording = Wording()
    for target in CODED:
        column = _column_of(target, assignment)
        if column is None:
            continue
        wording.tables[target] = target
        if target == "digit" and target in assignment.sure and _counts_rays(column):
            wording.tables[target] = RAYS
            continue
        says_nothing = _only_activity() if target == "mechanism" else frozenset()
        wording.words[target] = words_of(target, column.content, language=language, says_nothing=says_nothing)
        wording.columns[target] = column
    if "mechanism" in assignment.sure and "activity" not in wording.tables:
        _add_activity(wording)
    if shape is not None:
        _add_structures(wording, assignment, shape)
    return wording


def file_questions(shape: TextShape | None, order: Guess | None, mark: Guess | None) -> list[Question]:
    """Ask about the encoding, the separator, the order in dates and the decimal mark, where the file does not tell."""
    questions = []
    if shape and shape.encoding.others:
        ask = (
            "In which encoding was the file saved? If it is not the first one, save it as 'CSV UTF-8' and propose "
            "again: column names would be read otherwise."
        )
        questions.append(Question(ask, ("file", "encoding"), (shape.encoding.value, *shape.encoding.others)))
    if shape and shape.separator.others:
        options = (shape.separator.value, *shape.separator.others)
        named = " or ".join(SEPARATOR_NAMES[option] for option in options)
        questions.append(Question(f"Are the cells separated by {named}?", ("file", "separator"), options))
    if order and order.others:
        ask = "Is 03/04/2024 in this file the 3rd of April (day month year) or the 4th of March (month day year)?"
        questions.append(Question(ask, ("file", "date_order"), (order.value, *order.others)))
    if mark and mark.others:
        ask = "Which mark stands before the decimals in this file's numbers?"
        questions.append(Question(ask, ("file", "decimal_mark"), (mark.value, *mark.others)))
    return questions


def column_questions(rules: Sequence[Rule], assignment: Assignment) -> list[Question]:
    """Ask which column holds a field, where no column does so for sure."""
    questions: dict[tuple[str, str], Question] = {}
    for rule in rules:
        for line in lines_in_force(rule):
            if not line.asked or (rule.table, line.key) in questions:
                continue
            options = tuple(column.name for column, _ in assignment.asked.get(line.asked, []))
            ask = f"Which column holds {rule.table}.{line.key}? Every row needs it."
            if len(options) > 1:
                ask = f"Which column holds {rule.table}.{line.key}?"
            if len(options) == 1:
                ask = f"Does column '{options[0]}' hold {rule.table}.{line.key}?"
            questions[rule.table, line.key] = Question(ask, ("rows", rule.table, line.key), options)
    return list(questions.values())


def word_questions(wording: Wording) -> list[Question]:
    """Ask what each word means that no list knows."""
    return [
        Question(
            f"Column '{wording.columns[name].name}', word '{word}' ({n} times): which code of {name}?",
            ("words", name, word),
            options_for(name, word),
        )
        for name, words in wording.words.items()
        for word, n in words.asked.items()
    ]


def drop_questions(columns: Iterable[Column], assignment: Assignment) -> list[Question]:
    """Ask whether a column that feeds nothing may be left behind; its cells are not shown."""
    private = {column.name: what for column, what in assignment.private}
    rivals = {column.name for claimed in assignment.asked.values() if len(claimed) > 1 for column, _ in claimed}
    maybe = {column.name: target for target, (column, _) in assignment.sure.items()}  # used behind marks only
    maybe |= {column.name: target for target, claimed in assignment.asked.items() for column, _ in claimed}
    questions = []
    for column in columns:
        what = private.get(column.name)
        if what:
            ask = f"Column '{column.name}' may hold {what}. Shall it never be stored?"
        elif maybe.get(column.name) in MAY_BE:
            ask = (
                f"Column '{column.name}' may hold {MAY_BE[maybe[column.name]]}. If it does, take away the '# ' before "
                "the lines that use it and answer 'leave out'. If not: shall it never be stored?"
            )
        elif column.name in rivals:
            ask = (
                f"Column '{column.name}' is an option of an earlier question. If it was chosen there, answer 'leave "
                "out'. If not: shall it never be stored?"
            )
        else:
            ask = f"Nothing was found for column '{column.name}'. Shall it never be stored?"
        questions += [Question(ask.replace(column.name, name), ("drop", name), ("drop",)) for name in column.columns]
    return questions


def _column_of(target: str, assignment: Assignment) -> Column | None:
    if target in assignment.sure:
        return assignment.sure[target][0]
    return assignment.asked[target][0][0] if target in assignment.asked else None


def _counts_rays(column: Column) -> bool:
    named = any(spelling in ray_headers() for spelling in spellings(column.name))
    return named and column.content.share(re.compile(r"\d")) >= MOSTLY


def _only_activity() -> frozenset[str]:
    return frozenset(code_words("activity")) - frozenset(code_words("mechanism"))


def _add_activity(wording: Wording) -> None:
    column = wording.columns["mechanism"]
    activities = {word: code for word, code in code_words("activity").items() if code not in ("other", "climbing")}
    words = Words("activity")
    said = False
    for text in (*wording.words["mechanism"].known, *wording.words["mechanism"].asked):
        code = next((activities[spelling] for spelling in spellings(text) if spelling in activities), "")
        said = said or bool(code)
        words.known[text] = (code, WORD if code else CONTEXT)
    if said:
        wording.words["activity"] = words
        wording.columns["activity"] = column


def _add_structures(wording: Wording, assignment: Assignment, shape: ListShape) -> None:
    column = _column_of("structures", assignment)
    if column is None:
        return
    structures, extents = Words("structure"), Words("extent")
    for word, n in shape.structures.items():
        _settle(structures, word, n, structure_code(word))
    beside = _column_of("extents", assignment) if shape.shape == "parallel" else None
    counted = _parts(beside.content, shape.separators) if beside else shape.extents
    known = words_in("extent", counted)
    for word, n in counted.items():
        _settle(extents, word, n, next((known[s] for s in spellings(word) if s in known), ""))
    wording.words |= {"structure": structures, "extent": extents}
    wording.columns |= {"structure": column, "extent": beside or column}


def _settle(words: Words, word: str, n: int, code: str) -> None:
    same = next((known for known in (*words.known, *words.asked) if plain(known) == plain(word)), None)
    if code:
        words.known.setdefault(same or word, (code, WORD))
    elif may_be_shown(word, n):
        words.asked[same or word] = n
    else:
        words.unnamed += n


def _parts(content: Profile, separators: tuple[str, ...]) -> Counter[str]:
    parts: Counter[str] = Counter()
    for text, n in content.counts.items():
        for part in split_cell(text, separators):
            if part:
                parts[part] += n
    return parts
