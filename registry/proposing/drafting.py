"""The draft of a column map: everything that a foreign file tells about itself, and a question for each doubt."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from registry.dictionary import TABLES
from registry.errors import DeliveryError
from registry.proposing.assigning import NEEDED, Assignment, assign
from registry.proposing.contents import (
    DAY_DATE,
    EMAIL,
    ISO_DATE,
    ONE_SHAPE,
    YEAR_DATE,
    date_order,
    decimal_mark,
    key_pattern,
)
from registry.proposing.detecting import TextShape, detect_text, total_rows_of
from registry.proposing.listing import list_shape
from registry.proposing.matching import Column, columns_of
from registry.proposing.questions import (
    Question,
    Wording,
    column_questions,
    drop_questions,
    file_questions,
    word_questions,
    wording_of,
)
from registry.proposing.rules import Rule, RuleWriter, lines_in_force, quoted, used_columns
from registry.proposing.vocabulary import language_of
from registry.proposing.writing import map_text

WORKBOOKS = (".xlsx", ".xlsm")

LIST_FEEDS = {"column": "structure", "extents_column": "extent"}
"""What the columns of a list feed."""


@dataclass(frozen=True, kw_only=True)
class Draft:
    """A proposed column map.

    text
        The TOML, ready to be written.
    columns
        For each column of the file: its header, what it feeds, the confidence (0 to 1, None when asked), the question's
        number or ''.
    n_questions
        How many a person has to answer.
    cautions
        Sentences about columns that may identify somebody, about words that are not shown, and about what is missing.
    """

    text: str
    columns: list[tuple[str, str, float | None, str]]
    n_questions: int
    cautions: list[str]


def propose_map(path: Path, *, site: str = "") -> Draft:
    r"""Draft a column map for one foreign table.

    Parameters
    ----------
    path
        A delimited text file in any usual encoding, or a workbook (``.xlsx``), whose first filled sheet is read.
    site
        The site's code; empty leaves it to be filled in.

    Raises
    ------
    DeliveryError
        The file cannot be read, is empty, or has no header.

    Examples
    --------
    >>> import tempfile
    >>> file = Path(tempfile.mkdtemp()) / "cases.csv"
    >>> _ = file.write_text("Case ID,Hand\n1,L\n2,R\n3,L\n4,R\n")
    >>> propose_map(file, site="harbour").columns
    [('Case ID', 'cases.case', 0.97, ''), ('Hand', 'cases.side', 0.97, '')]
    """
    text_shape, above, header, rows = _laid_open(path)
    if text_shape is None:
        totals = total_rows_of(rows)
        rows = [row for row in rows if row[0] not in totals]
    else:
        totals = text_shape.total_rows
    columns = columns_of(header, rows)
    assignment = assign(columns)
    contents = [column.content for column in columns]
    order, mark = date_order(contents), decimal_mark(contents)
    structures = assignment.sure.get("structures") or next(iter(assignment.asked.get("structures", [])), None)
    shape = list_shape(structures[0].content) if structures else None
    wording = wording_of(assignment, shape=shape, language=language_of(header))
    writer = RuleWriter(assignment, tables=wording.tables, shape=shape, activity_said=wording.activity_said)
    rules = writer.rules()
    unused = _unused(columns, rules, assignment)
    questions = [
        *file_questions(text_shape, order, mark),
        *column_questions(rules, assignment),
        *word_questions(wording),
        *drop_questions(unused, assignment),
    ]
    cautions = _cautions(assignment, wording, rules)
    text = map_text(
        name=path.name,
        site=site,
        shape=text_shape,
        skip_lines=above,
        total_rows=totals,
        dates=order,
        mark=mark,
        dropped=[name for column in assignment.dropped for name in column.columns],
        pattern=_pattern(assignment),
        rules=rules,
        wording=wording,
        questions=questions,
        cautions=cautions,
    )
    return Draft(
        text=text,
        columns=_table(columns, rules, assignment, questions),
        n_questions=len(questions),
        cautions=cautions,
    )


def _laid_open(path: Path) -> tuple[TextShape | None, int, tuple[str, ...], list[list[str]]]:
    """Return how a text file is written, the lines above the header, the header, and the rows."""
    from registry.intake.reading import read_bytes

    data = read_bytes(path)
    if path.suffix.lower() in WORKBOOKS:
        return None, *_first_sheet(data, path.name)
    if not data.strip():
        raise DeliveryError(f"{path.name} is empty; there is nothing to propose a map for.")
    if data.startswith(b"PK\x03\x04"):
        raise DeliveryError(f"{path.name} is a workbook by its content; give it the ending .xlsx and propose again.")
    shape = detect_text(data, name=path.name)
    return shape, shape.skip_lines, shape.header, shape.rows


def _first_sheet(data: bytes, name: str) -> tuple[int, tuple[str, ...], list[list[str]]]:
    from registry.intake.reading import FileForm
    from registry.intake.workbook import lines_above_header, read_workbook

    above = lines_above_header(data, name=name)
    sheets = read_workbook(data, name=name, form=FileForm(lower_header=False, skip_lines=above))
    if not sheets:
        raise DeliveryError(f"{name} has no filled sheet; there is nothing to propose a map for.")
    sheet = sheets[0]
    cells = [sheet.cells.column(column).to_pylist() for column in sheet.header]
    return above, sheet.header, [[(cell or "").strip() for cell in row] for row in zip(*cells, strict=True)]


def _unused(columns: Sequence[Column], rules: Sequence[Rule], assignment: Assignment) -> list[Column]:
    """Return the columns that neither feed, nor are the only ones asked about for a field, nor are dropped."""
    used = used_columns(rules, columns)
    asked_lines = {line.asked for rule in rules for line in lines_in_force(rule) if line.asked}
    claims = [assignment.asked.get(target, []) for target in asked_lines]
    used |= {claimed[0][0].name for claimed in claims if len(claimed) == 1}
    used |= {column.name for column in assignment.dropped}
    return [column for column in columns if column.name not in used]


def _pattern(assignment: Assignment) -> tuple[str, float]:
    taken = assignment.sure.get("athlete") or assignment.asked.get("athlete", [None])[0]
    if taken is None:
        return "", 0.0
    shape, share = key_pattern(taken[0].content)
    return (shape, share) if share >= ONE_SHAPE else ("", 0.0)


def _cautions(assignment: Assignment, wording: Wording, rules: Sequence[Rule]) -> list[str]:
    said = [
        f"Column '{column.name}' may hold {what}. It feeds nothing; better, deliver the file without it "
        "(annulary deidentify prepares one)."
        for column, what in assignment.private
    ]
    said += _stray_identifiers(assignment)
    said += [
        f"Column '{wording.columns[name].name}': {words.unnamed} cell{'s hold' if words.unnamed != 1 else ' holds'} a "
        f"word that is not known and not shown here (it occurs once, or the column has too many); such rows are held."
        for name, words in wording.words.items()
        if words.unnamed
    ]
    fed = {*assignment.sure, *assignment.asked}
    said += [
        f"Nothing was found for {TABLES['cases'][name].label.lower()} (cases.{name}), which every row needs."
        for name in NEEDED
        if name not in fed
    ]
    return said


def _stray_identifiers(assignment: Assignment) -> list[str]:
    """Name the columns in which a few cells hold an e-mail address, or a full date where a year belongs."""
    said = []
    taken = [*assignment.sure.items(), *((target, claimed[0]) for target, claimed in assignment.asked.items())]
    for target, (column, _) in taken:
        looks: list[tuple[str, tuple[re.Pattern[str], ...]]] = [("an e-mail address", (EMAIL,))]
        if target in ("birth_year", "climbing_since"):
            looks.append(("a full date where a year belongs", (ISO_DATE, DAY_DATE, YEAR_DATE)))
        for what, patterns in looks:
            n = round(column.content.share(*patterns) * column.content.n_filled)
            if n:
                cells = "1 cell holds" if n == 1 else f"{n} cells hold"
                said.append(f"Column '{column.name}': {cells} {what}. Intake refuses the file until they are mended.")
    return said


def _table(
    columns: Sequence[Column], rules: Sequence[Rule], assignment: Assignment, questions: Sequence[Question]
) -> list[tuple[str, str, float | None, str]]:
    sure = {column.name: confidence for column, confidence in assignment.sure.values()}
    listed: list[tuple[str, str, float | None, str]] = []
    for column in columns:
        feeds = [
            f"{rule.table}.{LIST_FEEDS.get(line.key, line.key)}"
            for rule in rules
            for line in lines_in_force(rule)
            if any(quoted(name) in line.toml for name in (column.name, *column.columns))
        ]
        asked = [
            f"question {number}"
            for number, question in enumerate(questions, start=1)
            if (question.target[0] == "rows" and column.name in question.options)
            or (question.target[0] == "drop" and question.target[1] in column.columns)
        ]
        if feeds:
            listed.append((column.name, ", ".join(dict.fromkeys(feeds)), sure.get(column.name), ""))
        elif asked:
            listed.append((column.name, "", None, ", ".join(asked)))
        else:
            listed.append((column.name, "dropped (empty)", 0.95, ""))
    return listed
