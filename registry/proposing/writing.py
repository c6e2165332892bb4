"""The draft as text: TOML in the order in which a person reads it, a confidence behind each guess."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePath

from registry.proposing.contents import YEAR_FIRST
from registry.proposing.detecting import Guess, TextShape
from registry.proposing.questions import RAYS, Question, Wording
from registry.proposing.rules import Line, Rule, array, quoted

HEAD = """\
# A draft. "# sure 0.97" behind a line says how sure the proposal is of it, from 0 to 1.
# Answer the questions at the end: copy one of the options into `answer`, or write "leave out".
# No row is taken in while a question is open.
"""
DOUBTFUL = (
    "# Doubtful, so not in force; if the columns are what they are taken for, take away the '# ' before each line:"
)
UNKNOWN_SITE = "SITE"
SITE_LINES = """\
# Only the site itself can say these; take the marks away and fill them in:
# kind = ""               # clinic, squad, self_report, event
# case_definition = ""    # any_complaint, medical_attention, time_loss
# exposure_method = ""    # logged, estimated, none"""


@dataclass(frozen=True)
class Entry:
    """A line ``key = value`` and what is said behind it."""

    key: str
    toml: str
    sure: float | None = None

    def __str__(self) -> str:
        """Return the line."""
        said = "" if self.sure is None else f"  # sure {min(self.sure, 0.99):.2f}"
        return f"{self.key} = {self.toml}{said}"


def map_text(  # noqa: PLR0913 - the parts of the file, each once
    *,
    name: str,
    site: str,
    shape: TextShape | None,
    skip_lines: int,
    total_rows: Sequence[str],
    dates: Guess | None,
    mark: Guess | None,
    dropped: Sequence[str],
    pattern: tuple[str, float],
    rules: Sequence[Rule],
    wording: Wording,
    questions: Sequence[Question],
    cautions: Sequence[str],
) -> str:
    """Return the draft's TOML.

    Parameters
    ----------
    name
        The file that it was made from.
    site
        The site's code, or ''.
    shape, dates, mark
        How the file is written; a doubtful guess (one with others) is left to its question.
    skip_lines, total_rows
        Lines above the header; first cells of rows of totals.
    dropped
        Columns that are never stored.
    pattern
        The shape of the pseudonyms and the share of cells that have it, or ('', 0).
    rules, wording, questions, cautions
        What was found.
    """
    blocks = [(HEAD + "".join(f"# WARNING: {_in_one_line(caution)}\n" for caution in cautions)).rstrip()]
    site_line = "" if site else "  # fill in the site's code"
    blocks.append(
        f"[map]\nformat = 1\nsite = {quoted(site or UNKNOWN_SITE)}{site_line}\nmatch = {quoted(_match(name))}"
    )
    blocks.append(_site(pattern))
    entries = [*(_text_entries(shape) if shape else ())]
    if skip_lines:
        entries.append(Entry("skip_lines", str(skip_lines), 0.95))
    if total_rows:
        entries.append(Entry("total_rows", array(total_rows), 0.95))
    entries += _value_entries(dates, mark)
    if dropped:
        entries.append(Entry("drop", array(dropped), 0.95))
    if entries:
        blocks.append("\n".join(["[file]", *map(str, entries)]))
    numbers = {question.target: number for number, question in enumerate(questions, start=1)}
    blocks += [_rule(rule, numbers) for rule in rules]
    blocks += [_words(table, wording) for table in wording.words]
    blocks += [_question(number, question) for number, question in enumerate(questions, start=1)]
    return "\n\n".join(blocks) + "\n"


def _in_one_line(text: str) -> str:
    """Return a text that stays inside its comment, whatever a header holds."""
    return "".join(character if character.isprintable() else " " for character in text)


def _match(name: str) -> str:
    path = PurePath(name)
    stem = re.sub(r"[\d_\-. ]+$", "", path.stem)
    return re.sub(r"[\[\]?]", "?", f"{stem}*{path.suffix}")


def _site(pattern: tuple[str, float]) -> str:
    lines = ["[site]", SITE_LINES]
    if pattern[0]:
        lines.append(str(Entry("pseudonym_pattern", quoted(pattern[0]), pattern[1])))
    else:
        lines.append('# pseudonym_pattern = ""  # a regular expression that every pseudonym matches in full')
    return "\n".join(lines)


def _text_entries(shape: TextShape) -> list[Entry]:
    entries = []
    if not shape.encoding.others:
        entries.append(Entry("encoding", quoted(shape.encoding.value), shape.encoding.sure))
    if not shape.separator.others:
        entries.append(Entry("separator", quoted(shape.separator.value), shape.separator.sure))
    return entries


def _value_entries(dates: Guess | None, mark: Guess | None) -> list[Entry]:
    entries = []
    if dates and not dates.others and dates.value != YEAR_FIRST:
        entries.append(Entry("date_order", quoted(dates.value), dates.sure))
    if mark and not mark.others:
        entries.append(Entry("decimal_mark", quoted(mark.value), mark.sure))
    return entries


def _rule(rule: Rule, numbers: dict[tuple[str, ...], int]) -> str:
    lines = ["[[rows]]", f"table = {quoted(rule.table)}"]
    if rule.when:
        lines.append(f"when = {quoted(rule.when)}")
    if rule.each:
        lines.append(f"each = [{', '.join(map(str, rule.each))}]")
    lines.append("[rows.fields]")
    lines += [_line(line, rule.table, numbers) for line in rule.fields]
    if rule.listed:
        lines.append("[rows.list]")
        lines += [_line(line, rule.table, numbers) for line in rule.listed]
    if rule.doubtful:
        lines = [DOUBTFUL, *(f"# {line}" for line in lines)]
    return "\n".join(lines)


def _line(line: Line, table: str, numbers: dict[tuple[str, ...], int]) -> str:
    if line.asked and ("rows", table, line.key) in numbers:
        return f"# {line.key}: see question {numbers['rows', table, line.key]}"
    if line.asked:
        return f"# {line.key}: not known"
    return ("# " if line.doubtful else "") + str(Entry(line.key, line.toml, line.sure))


def _words(name: str, wording: Wording) -> str:
    words = wording.words[name]
    lines = [f"[words.{name}]"]
    lines += [str(Entry(_key(word), quoted(code), sure)) for word, (code, sure) in words.known.items()]
    if name == RAYS or not words.known:
        lines.append("# see the questions")
    return "\n".join(lines)


def _key(word: str) -> str:
    return word if re.fullmatch(r"[A-Za-z0-9_-]+", word) else quoted(word)


def _question(number: int, question: Question) -> str:
    return "\n".join(
        [
            "[[questions]]",
            f"id = {number}",
            f"ask = {quoted(question.ask)}",
            f"target = {array(question.target)}",
            f"options = {array(question.options)}",
            'answer = ""',
        ]
    )
