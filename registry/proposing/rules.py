"""The rows of ours that a row of theirs makes, as far as the columns found allow."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from registry.proposing.assigning import NEEDED, Assignment
from registry.proposing.listing import ListShape
from registry.proposing.matching import Column

ASSUMED = 0.9
"""How sure a value is that follows from the kind of column (a date of full climbing says that climbing was full)."""
SHAPE_SURE = 0.95
ATHLETE_FIELDS = ("sex", "birth_year", "squad", "dominant_hand", "climbing_since", "height_cm", "body_mass_kg")
CASE_FIELDS = (  # noqa: SIM905 - words in lines are read more easily than many quoted ones
    "age_at_onset onset recorded first_seen off_from side digit onset_mode context discipline setting "
    "activity mechanism grip pop_heard prior_same_site uiaa_score"
).split()
IMAGING = {"ultrasound_on": "ultrasound", "mri_on": "mri", "radiograph_on": "radiograph"}
FOLLOW_UP_FIELDS = ("pain_rest", "pain_load")
CODED = (  # noqa: SIM905
    "sex dominant_hand side digit onset_mode context discipline setting mechanism activity grip pop_heard "
    "prior_same_site joint status"
).split()
"""Targets whose words are translated."""


@dataclass(frozen=True)
class Line:
    """One line of a rule: the key, the TOML behind it, how sure it is, or the question that settles it."""

    key: str
    toml: str = ""
    sure: float | None = None
    asked: str = ""
    doubtful: bool = False
    """Written with a mark before it, for a person to take away."""


@dataclass
class Rule:
    """One ``[[rows]]`` entry in the making."""

    table: str
    fields: list[Line] = field(default_factory=list)
    listed: list[Line] = field(default_factory=list)
    each: tuple[int, ...] = ()
    when: str = ""
    doubtful: bool = False
    """Built on a column that nobody is sure of: written with marks before its lines, for a person to take away."""


def quoted(text: str) -> str:
    r"""Return a TOML string.

    Examples
    --------
    >>> quoted('Größe "mm"')
    '"Größe \\"mm\\""'
    """
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")  # TOML takes no bare delete sign


def inline(**parts: str) -> str:
    """Return a TOML inline table of texts.

    Examples
    --------
    >>> inline(column="Finger", words="digit")
    '{ column = "Finger", words = "digit" }'
    """
    return "{ " + ", ".join(f"{key} = {quoted(text)}" for key, text in parts.items()) + " }"


def array(texts: Sequence[str]) -> str:
    """Return a TOML array of texts.

    Examples
    --------
    >>> array(["+", ";"])
    '["+", ";"]'
    """
    return "[" + ", ".join(map(quoted, texts)) + "]"


class RuleWriter:
    """Writes the rules from what each column was taken for.

    Parameters
    ----------
    assignment
        What each column is taken for.
    tables
        Target -> name of its words table (``rays`` for fingers counted from the thumb).
    shape
        How the structures are written; None without such a column.
    activity_said
        The column of the mechanism also names activities.
    """

    def __init__(
        self, assignment: Assignment, *, tables: dict[str, str], shape: ListShape | None, activity_said: bool
    ) -> None:
        self.assignment = assignment
        self.tables = tables
        self.shape = shape
        self.activity_said = activity_said

    def rules(self) -> list[Rule]:
        """Return the rules in the order of our tables."""
        rules = [self._athletes(), self._cases(), *self._findings(), *self._imaging(), *self._follow_ups()]
        return [rule for rule in rules if rule is not None]

    def _sure(self, target: str) -> tuple[Column, float] | None:
        return self.assignment.sure.get(target)

    def _best(self, target: str) -> tuple[Column, float] | None:
        """Return the column for a target, a doubtful one if need be."""
        return self.assignment.sure.get(target) or next(iter(self.assignment.asked.get(target, [])), None)

    def _beside(self, target: str, column: Column) -> tuple[Column, float] | None:
        """Return the column for a target if it stands beside the other one: both numbered alike, or neither."""
        taken = self._best(target)
        return taken if taken and taken[0].numbers == column.numbers else None

    def _line(self, target: str, key: str = "", **extra: str) -> list[Line]:
        """Return the line for a target: sure, asked, or none."""
        taken = self._sure(target)
        if taken is None:
            return [Line(key or target, asked=target)] if target in self.assignment.asked else []
        return [self._filled(target, taken, key, **extra)]

    def _filled(self, target: str, taken: tuple[Column, float], key: str = "", **extra: str) -> Line:
        column, confidence = taken
        parts = {"column": column.name}
        if target in CODED:
            parts["words"] = self.tables[target]
        parts |= extra
        toml = quoted(column.name) if len(parts) == 1 else inline(**parts)
        return Line(key or target, toml, confidence)

    def _rule(self, table: str, built_on: Sequence[str], **parts: Any) -> Rule:
        """Return a rule for a table beside the cases, a doubtful one where a column it is built on is doubtful."""
        doubtful = any(target not in self.assignment.sure for target in built_on)
        case = self._best("case") if doubtful else self._sure("case")
        line = self._filled("case", case) if case else Line("case", asked="case")
        return Rule(table, [line], doubtful=doubtful, **parts)

    def _athletes(self) -> Rule | None:
        fields = [line for target in ATHLETE_FIELDS for line in self._line(target)]
        if not fields:
            return None
        if not self._line("sex"):
            fields.append(Line("sex", inline(constant="unknown"), ASSUMED))
        return Rule("athletes", [*(self._line("athlete") or [Line("athlete", asked="athlete")]), *fields])

    def _cases(self) -> Rule:
        fields: list[Line] = []
        for target in ("case", "athlete", *CASE_FIELDS):
            needed = target in NEEDED
            fields += self._line(target) or ([Line(target, asked=target)] if needed else [])
        if self.activity_said and not self._line("activity"):
            column, confidence = self.assignment.sure["mechanism"]
            fields.append(Line("activity", inline(column=column.name, words="activity"), confidence))
        if not self._line("onset_mode"):
            fields.append(Line("onset_mode", inline(constant="unknown"), ASSUMED))
        return Rule("cases", fields)

    def _findings(self) -> list[Rule]:
        taken = self._best("structures")
        if taken is None or self.shape is None:
            return []
        column, confidence = taken
        parallel = self.shape.shape == "parallel"
        extents = self._beside("extents", column) if parallel else None
        if parallel and extents is None:
            return []
        plain = parallel and not self.shape.separators and not self.shape.has_joints
        built_on = ("structures", "extents") if parallel else ("structures",)
        rule = self._rule("findings", built_on, each=column.numbers)
        if plain and extents:
            rule.when = "" if column.numbers else column.name
            rule.fields.append(Line("structure", inline(column=column.name, words="structure"), confidence))
            rule.fields.append(Line("extent", inline(column=extents[0].name, words="extent"), extents[1]))
        else:
            rule.listed = self._list_lines(column, extents)
        if plain and self._beside("joint", column):
            rule.fields += self._line("joint")
        gap = self._beside("gap_mm", column)
        if gap:
            line = self._filled("gap_mm", gap, **({} if plain else {"of": "first"}))
            rule.fields.append(replace(line, doubtful="gap_mm" not in self.assignment.sure))
        rule.fields += self._seen_by()
        return _one_by_one(rule) if rule.listed and rule.each else [rule]

    def _list_lines(self, column: Column, beside: tuple[Column, float] | None) -> list[Line]:
        shape = self.shape
        if shape is None:
            return []
        separators = shape.separators or (";",)
        lines = [
            Line("column", quoted(column.name), round(shape.share, 2)),
            Line("separators", array(separators), SHAPE_SURE if shape.separators else None),
            Line("shape", quoted(shape.shape), SHAPE_SURE),
        ]
        if shape.shape == "parallel" and beside:
            lines.append(Line("extents_column", quoted(beside[0].name), beside[1]))
        lines += [Line("structures", quoted("structure")), Line("extents", quoted("extent"))]
        return lines

    def _seen_by(self) -> list[Line]:
        """Return who saw the structures: the one kind of picture that the file dates."""
        pictures = [(target, taken[0].name) for target in IMAGING if (taken := self._sure(target))]
        if len(pictures) != 1:
            return []
        target, column = pictures[0]
        return [
            Line("seen_by", inline(constant=IMAGING[target], when=column, otherwise="unknown"), ASSUMED),
            Line("found_on", quoted(column), ASSUMED),
        ]

    def _imaging(self) -> list[Rule]:
        rules = []
        for target, kind in IMAGING.items():
            taken = self._best(target)
            if taken:
                rule = self._rule("imaging", (target,), when=taken[0].name)
                rule.fields += [Line("kind", inline(constant=kind), ASSUMED), self._filled(target, taken, "done_on")]
                rules.append(rule)
        return rules

    def _follow_ups(self) -> list[Rule]:
        seen = self._best("seen")
        status = self._beside("status", seen[0]) if seen else None
        rules = []
        if seen and status:
            rule = self._rule("follow_ups", ("seen", "status"), each=seen[0].numbers)
            rule.when = "" if seen[0].numbers else seen[0].name
            rule.fields += [self._filled("seen", seen), self._filled("status", status)]
            for target in FOLLOW_UP_FIELDS:
                if self._beside(target, seen[0]):
                    rule.fields += self._line(target)
            rules.append(rule)
        last = self._last_contact(status_taken=status is not None)
        return [*rules, last] if last else rules

    def _last_contact(self, *, status_taken: bool) -> Rule | None:
        """Return the rule of the last contact: with a status of its own, or the day from which climbing was full."""
        last, full = self._best("last_contact"), self._best("full_from")
        status = self._beside("status", last[0]) if last and not status_taken else None
        if last and status:
            rule = self._rule("follow_ups", ("last_contact", "status"), when=last[0].name)
            rule.fields += [self._filled("last_contact", last, "seen"), self._filled("status", status)]
        elif full and last:
            rule = self._rule("follow_ups", ("last_contact", "full_from"), when=last[0].name)
            state = inline(constant="full_climbing", when=full[0].name, otherwise="not_yet_full")
            rule.fields += [self._filled("last_contact", last, "seen"), Line("status", state, ASSUMED)]
            rule.fields.append(self._filled("full_from", full, "since"))
        elif full:
            rule = self._rule("follow_ups", ("full_from",), when=full[0].name)
            state = inline(constant="full_climbing")
            rule.fields += [self._filled("full_from", full, "seen"), Line("status", state, ASSUMED)]
            rule.fields.append(self._filled("full_from", full, "since"))
        else:
            return None
        return rule


def _one_by_one(rule: Rule) -> list[Rule]:
    """Return a rule for each of the numbered columns: a list is never repeated over several."""

    def numbered(lines: list[Line], n: int) -> list[Line]:
        return [replace(line, toml=line.toml.replace("{n}", str(n))) for line in lines]

    return [replace(rule, fields=numbered(rule.fields, n), listed=numbered(rule.listed, n), each=()) for n in rule.each]


def used_columns(rules: Sequence[Rule], columns: Sequence[Column]) -> set[str]:
    """Return the names of the columns that some rule feeds from, doubtful rules left out."""
    written = [line.toml for rule in rules for line in lines_in_force(rule)]
    return {
        column.name
        for column in columns
        if any(quoted(name) in toml for toml in written for name in (column.name, *column.columns))
    }


def lines_in_force(rule: Rule) -> list[Line]:
    """Return the lines of a rule that are not left behind marks."""
    return [] if rule.doubtful else [line for line in (*rule.fields, *rule.listed) if not line.doubtful]
