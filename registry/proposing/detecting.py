"""How a foreign text file is written: its letters, its separator, where its header stands, where its totals are."""

from __future__ import annotations

import csv
import io
import itertools
import re
from collections import Counter
from dataclasses import dataclass

from registry.errors import DeliveryError
from registry.intake.reading import column_name
from registry.proposing.vocabulary import language_of, plain, total_words

SEPARATORS = (",", ";", "\t", "|")
CANDIDATES = ("cp1252", "latin-1", "cp1250", "cp1251", "mac-roman", "cp437")
LETTERS = {
    "de": "äöüß",
    "es": "áéíñóúüºª",
    "it": "àèéìòùº",
    "nl": "éëïöüèê",
    "pl": "ąćęłńóśźż",
    "pt": "áâãàçéêíóôõúº",
    "en": "é",
}
"""Letters beyond ASCII that each language of the vocabulary writes often."""
COMMON = frozenset("".join(LETTERS.values()) + "åæøčšžřěůýďťňőűîûœ")
EDGE_MARKS = frozenset("°–—…’‘“”„«»€§±µ")
"""Signs that stand beside words in honest texts."""
CLEAR_LEAD = 0.25
"""Between the best and the next reading of the bytes, per letter beyond ASCII. Letters of the file's own language
count 1, other European letters 0.4: a lead of a quarter means that at least two letters in five tell them apart."""
CLEAR_SCORE = 0.5
LETTER_SAMPLE, ROW_SAMPLE = 2_000_000, 8_000_000
"""Bytes whose letters are weighed, and characters whose rows are read: some fifty thousand rows show what a table
holds, and a proposal should not keep anybody waiting. The end of a longer file is looked at for totals only."""
CLEAR_SHARE = 0.8
"""Of the lines that one separator cuts into the same number of cells; damaged rows and a preamble make the rest."""


@dataclass(frozen=True, kw_only=True)
class Guess:
    """One property of the file: the best value, how sure it is, and what else it may be."""

    value: str
    sure: float
    others: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class TextShape:
    """A text file laid open.

    header
        The column names, stripped.
    rows
        The rows below that have as many cells as the header, totals left out; cells stripped.
    """

    encoding: Guess
    separator: Guess
    skip_lines: int
    total_rows: tuple[str, ...]
    header: tuple[str, ...]
    rows: list[list[str]]


def detect_text(data: bytes, *, name: str) -> TextShape:
    r"""Find out how a delimited text file is written.

    Parameters
    ----------
    data
        The whole file.
    name
        Its name, for messages.

    Raises
    ------
    DeliveryError
        No line of the file looks like a header.

    Examples
    --------
    >>> shape = detect_text(b"# note\nCase;Side\n1;L\n2;R\nTotal;2\n", name="x.csv")
    >>> shape.separator.value, shape.skip_lines, shape.header, shape.total_rows
    (';', 1, ('Case', 'Side'), ('Total',))
    """
    encoding, whole = detect_encoding(data)
    text = whole if len(whole) <= ROW_SAMPLE else whole[: whole.rindex("\n", 0, ROW_SAMPLE) + 1]
    separator = detect_separator(text)
    records = _records(text, separator.value)
    width = _usual_width([record for _, record in records])
    skip, header = next(
        ((n, tuple(map(column_name, record))) for n, record in records if len(record) == width and _is_header(record)),
        (0, ()),
    )
    if not header:
        raise DeliveryError(
            f"{name}: no line looks like a header (as many names as the rows have cells, each once); "
            "put one name over each column and propose again."
        )
    below = [record for line, record in records if line > skip]
    end = below if text is whole else [r for _, r in _records(whole[-2000:].partition("\n")[2], separator.value)]
    totals = total_rows_of(end)
    rows = [record for record in below if len(record) == width and record[0] not in totals]
    return TextShape(
        encoding=encoding,
        separator=separator,
        skip_lines=skip,
        total_rows=totals,
        header=header,
        rows=rows,
    )


def detect_encoding(data: bytes) -> tuple[Guess, str]:
    """Return the encoding and the text read with it.

    A byte-order mark or strict UTF-8 settles it. Else each candidate's letters are weighed, and where two candidates
    read different letters about as plausibly, the others are named.

    Examples
    --------
    >>> detect_encoding("Größe;Fuß".encode("cp1252"))[0].value
    'cp1252'
    """
    marked = _by_mark(data)
    if marked:
        return Guess(value=marked, sure=1.0), data.decode(marked, errors="replace").removeprefix("\ufeff")
    try:
        return Guess(value="utf-8", sure=1.0), data.decode("utf-8")
    except UnicodeDecodeError:
        pass
    readings: dict[str, tuple[str, float]] = {}
    for candidate in CANDIDATES:
        try:
            text = data[:LETTER_SAMPLE].decode(candidate)
        except UnicodeDecodeError:
            continue
        if all(text != known for known, _ in readings.values()):
            readings[candidate] = (text, _plausibility(text))
    ranked = sorted(readings, key=lambda candidate: -readings[candidate][1])
    best = ranked[0]  # latin-1 reads any byte, so there is always one
    score = readings[best][1]
    rivals = tuple(other for other in ranked[1:] if readings[other][1] > score - CLEAR_LEAD)
    if score < CLEAR_SCORE:
        rivals = tuple(ranked[1:4])
    return Guess(value=best, sure=0.5 if rivals else 0.95, others=rivals), data.decode(best, errors="replace")


def detect_separator(text: str) -> Guess:
    r"""Return the separator that cuts most lines into the same number of cells.

    Examples
    --------
    >>> detect_separator("a;b\n1,5;2\n2,5;3\n").value
    ';'
    """
    found: dict[str, tuple[float, int]] = {}
    for separator in SEPARATORS:
        records = [record for _, record in _records(text, separator)]
        width = _usual_width(records)
        if width > 1:
            found[separator] = (sum(len(record) == width for record in records) / len(records), width)
    if not found:
        return Guess(value=",", sure=1.0)
    ranked = sorted(found, key=lambda separator: (-round(found[separator][0], 1), -found[separator][1]))
    best_share = found[ranked[0]][0]
    rivals = tuple(
        other
        for other in ranked[1:]
        if found[other][0] >= max(CLEAR_SHARE, best_share - 0.1) and found[other][1] * 2 > found[ranked[0]][1]
    )
    return Guess(value=ranked[0], sure=0.5 if rivals else round(best_share, 2), others=rivals)


def _by_mark(data: bytes) -> str:
    if data.startswith(b"\xef\xbb\xbf"):
        return "utf-8"
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    zeros = data[:2000].count(b"\x00")
    if zeros > len(data[:2000]) / 4:  # every second byte of ASCII text in UTF-16
        return "utf-16-le" if data[1:2] == b"\x00" else "utf-16-be"
    return ""


def _plausibility(text: str) -> float:
    """Return the mean weight of the letters beyond ASCII, -1 (cannot be) to 1 (the file's own language)."""
    headers = re.split(r"[,;\t|\r\n]+", text[:4000])
    own = LETTERS.get(language_of(headers), "")
    weights = [
        _weight(token, position, own)
        for token in set(re.findall(r"[^\x00-\x40\x5b-\x60\x7b-\x7f]+", text))
        for position, character in enumerate(token)
        if not character.isascii()
    ]
    return sum(weights) / len(weights) if weights else 1.0


def _weight(token: str, position: int, own: str) -> float:
    character = token[position]
    if not character.isalpha():
        return 0.0 if character in EDGE_MARKS and position in (0, len(token) - 1) else -1.0
    if "\u0400" <= character <= "\u04ff":
        return 0.6 if len(token) > 1 and all("\u0400" <= c <= "\u04ff" for c in token) else -1.0
    if character.isupper() and position and token[position - 1].islower():
        return -1.0
    small = character.lower()
    if small in own:
        return 1.0
    return 0.4 if small in COMMON else -0.5


def _records(text: str, separator: str) -> list[tuple[int, list[str]]]:
    """Return (lines of the file before it, cells) for every record that is not blank."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    records: list[tuple[int, list[str]]] = []
    before = 0
    try:
        for record in reader:
            cells = [cell.strip() for cell in record]
            if any(cells):
                records.append((before, cells))
            before = reader.line_num
    except csv.Error:  # an overlong cell: what came before it is enough for a proposal
        pass
    return records


def total_rows_of(records: list[list[str]]) -> tuple[str, ...]:
    """Return the words with which the last rows say that they are totals; inside the table such a word is a code."""
    trailing = itertools.takewhile(lambda record: plain(record[0]) in total_words(), reversed(records))
    return tuple(dict.fromkeys(record[0] for record in trailing))


def _usual_width(records: list[list[str]]) -> int:
    counts = Counter(len(record) for record in records if len(record) > 1)
    return counts.most_common(1)[0][0] if counts else 1


def _is_header(record: list[str]) -> bool:
    names = [plain(cell) for cell in record]
    if not all(names) or len(set(names)) < len(names):
        return False
    return sum(any(c.isalpha() for c in name) for name in names) > len(names) / 2
