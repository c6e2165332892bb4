"""Reading a column map: a TOML file that a person can write, with every fault named by its place in the file."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import Any

from registry.dictionary import TABLES
from registry.errors import InputError, suggestion
from registry.maps.model import LEAVE_OUT, ColumnMap, Deidentify, Question
from registry.maps.reading_rules import read_rules
from registry.maps.reading_sections import FORMAT, Faults, read_file, read_words, text_in
from registry.maps.validating import check_map

TOP = ("map", "site", "file", "rows", "words", "deidentify", "questions")


def load_map(path: Path) -> ColumnMap:
    """Read a column map from its file.

    Raises
    ------
    InputError
        No such file, not TOML, or anything in it that cannot be meant.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"the column map {path} cannot be read ({error.strerror}); check the path.") from None
    return read_map(data, name=path.name)


def read_map(data: bytes, *, name: str) -> ColumnMap:
    """Read a column map from its bytes; see ``load_map``."""
    raw = _parsed(data, name)
    faults = Faults(name)
    for key in raw:
        faults.unless(key in TOP, key, f"no such section; there are {', '.join(TOP)}.{suggestion(key, TOP)}")
    faults.stop()
    head = faults.table(raw, "map")
    faults.only(head, "map", ("format", "site", "match"))
    faults.unless(head.get("format", FORMAT) == FORMAT, "map.format", f"this release reads format {FORMAT}")
    questions = _answered(raw, faults)
    column_map = ColumnMap(
        name=name,
        sha256=hashlib.sha256(data).hexdigest(),
        text=data.decode("utf-8"),
        site=text_in(head, "site", "map", faults),
        match=text_in(head, "match", "map", faults, default="*"),
        site_row=_site_row(raw, faults),
        file=read_file(faults.table(raw, "file"), faults),
        rows=read_rules(raw.get("rows", []), faults),
        words=read_words(faults.table(raw, "words"), faults),
        deidentify=_deidentify(faults.table(raw, "deidentify"), faults),
        open_questions=questions,
    )
    faults.stop()
    check_map(column_map, faults)
    faults.stop()
    return column_map


def _parsed(data: bytes, name: str) -> dict[str, Any]:
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise InputError(f"{name} is not UTF-8 text; save the column map as UTF-8.") from None
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            f"{name} is not TOML: {error}. Text stands in \"quotes\", and so does a word before '=' that holds blanks "
            "or accents."
        ) from None
    except RecursionError:
        raise InputError(f"{name} is not a column map; it is nested far too deep.") from None


def _site_row(raw: dict[str, Any], faults: Faults) -> dict[str, str]:
    given = faults.table(raw, "site")
    names = [name for name in TABLES["sites"].names if name != "site"]
    faults.only(given, "site", names)
    for key, value in given.items():
        plain = isinstance(value, str | int | float | date) and not isinstance(value, bool)
        faults.unless(plain, f"site.{key}", 'must be a text in "quotes"')
    return {key: str(value) for key, value in given.items() if str(value).strip()}


def _deidentify(given: dict[str, Any], faults: Faults) -> Deidentify | None:
    if not given:
        return None
    keys = ("patient_number", "pseudonym", "birth_date", "birth_year")
    faults.only(given, "deidentify", keys)
    found = {key: text_in(given, key, "deidentify", faults) for key in keys}
    for key in keys[:2]:
        faults.unless(bool(found[key]), f"deidentify.{key}", "is missing")
    both = bool(found["birth_date"]) == bool(found["birth_year"])
    faults.unless(both, "deidentify", "birth_date and birth_year are given together or not at all")
    return Deidentify(**found)


def _answered(raw: dict[str, Any], faults: Faults) -> tuple[Question, ...]:
    """Put answered questions where they belong, and return those that are open."""
    still_open = []
    for number, given in enumerate(faults.list_of_tables(raw, "questions"), start=1):
        where = f"questions {given.get('id', number)}"
        faults.only(given, where, ("id", "ask", "target", "options", "answer"))
        target, options = _texts(given.get("target")), _texts(given.get("options"))
        answer = str(given.get("answer", "")).strip() if given.get("answer") != "" else ""
        if given.get("answer") in options:  # a tab or a blank is an answer too
            answer = str(given["answer"])
        if not answer:
            ask = str(given.get("ask", ""))
            still_open.append(Question(id=str(given.get("id", number)), ask=ask, target=target, options=options))
        elif answer != LEAVE_OUT:
            known = not options or answer in options
            faults.unless(known, f"{where}.answer", f"is none of the options; use one of: {', '.join(options)}")
            if known:
                _put(raw, target, answer, where, faults)
    return tuple(still_open)


def _texts(given: Any) -> tuple[str, ...]:
    return tuple(str(part) for part in given) if isinstance(given, list) else ()


def _put(raw: dict[str, Any], target: tuple[str, ...], answer: str, where: str, faults: Faults) -> None:
    match target:
        case ("file", key):
            _section(raw, "file")[key] = int(answer) if key == "skip_lines" and answer.isdecimal() else answer
        case ("words", table, word):
            _section(_section(raw, "words"), table)[word] = answer
        case ("drop", column):
            file = _section(raw, "file")
            file["drop"] = [*_listed(file.get("drop", [])), column]
        case ("rows", table, name):
            words = raw.get("words", {})
            cell: dict[str, Any] = {"column": answer}
            if isinstance(words, dict) and name in words:
                cell["words"] = name
            rules = [rule for rule in _rules_of(raw.get("rows"), table)]
            faults.unless(bool(rules), f"{where}.target", f"the map has no rows of table {table}")
            for rule in rules:
                _section(rule, "fields")[name] = cell
        case _:
            faults.unless(False, f"{where}.target", "is no place in a map")


def _section(raw: dict[str, Any], key: str) -> dict[str, Any]:
    """Return a section to write into; one of the wrong kind is left as it is, and named when it is read."""
    found = raw.setdefault(key, {})
    return found if isinstance(found, dict) else {}


def _listed(given: Any) -> list[Any]:
    return given if isinstance(given, list) else [given]


def _rules_of(rows: Any, table: str) -> Iterable[dict[str, Any]]:
    return (
        [rule for rule in rows if isinstance(rule, dict) and rule.get("table") == table]
        if isinstance(rows, list)
        else []
    )
