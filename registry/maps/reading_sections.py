"""The sections of a column map other than its rules, and how faults in a map are gathered."""

from __future__ import annotations

import codecs
from collections.abc import Iterable, Sequence
from typing import Any

from registry.errors import InputError, suggestion
from registry.maps.model import DATE_ORDERS, LEAVE_OUT, FileFormat

FORMAT = 1
FILE_KEYS = ("encoding", "separator", "decimal_mark", "date_order", "times", "skip_lines", "total_rows", "drop")


class Faults:
    """The faults of one map, each with its place; all of them are said at once."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.found: list[str] = []

    def unless(self, right: bool, place: str, what: str) -> None:
        """Note a fault unless all is right."""
        if not right:
            said = what.rstrip(".")
            self.found.append(f"{self.name}: {place}: {said}{'' if said.endswith('?') else '.'}")

    def only(self, given: dict[str, Any], place: str, known: Sequence[str]) -> None:
        """Note keys that are none of the known ones."""
        for key in given:
            self.unless(
                key in known, f"{place}.{key}", f"no such key; there are {', '.join(known)}.{suggestion(key, known)}"
            )

    def table(self, raw: dict[str, Any], key: str) -> dict[str, Any]:
        """Return a section, empty when it is not there."""
        given = raw.get(key, {})
        self.unless(isinstance(given, dict), key, f"must be a section [{key}]")
        return dict(given) if isinstance(given, dict) else {}

    def list_of_tables(self, raw: dict[str, Any], key: str) -> list[dict[str, Any]]:
        """Return a repeated section, empty when it is not there."""
        given = raw.get(key, [])
        right = isinstance(given, list) and all(isinstance(one, dict) for one in given)
        self.unless(right, key, f"must be sections [[{key}]]")
        return list(given) if right else []

    def stop(self) -> None:
        """Raise what was found.

        Raises
        ------
        InputError
        """
        if self.found:
            lines = [*dict.fromkeys(self.found), "The format of column maps: annulary map format."]
            raise InputError("\n".join("".join(sign if sign.isprintable() else "?" for sign in line) for line in lines))


def text_in(given: dict[str, Any], key: str, place: str, faults: Faults, *, default: str = "") -> str:
    """Return a text of a section, stripped."""
    value = given.get(key, default)
    faults.unless(isinstance(value, str), f"{place}.{key}", 'must be a text in "quotes"')
    return value.strip() if isinstance(value, str) else default


def texts_in(given: dict[str, Any], key: str, place: str, faults: Faults) -> tuple[str, ...]:
    """Return a list of texts of a section; one text alone is a list of one."""
    value = given.get(key, [])
    listed = [value] if isinstance(value, str) else value
    right = isinstance(listed, list) and all(isinstance(one, str) for one in listed)
    faults.unless(right, f"{place}.{key}", 'must be a list of texts, like ["one", "two"]')
    return tuple(one.strip() for one in listed) if right else ()


def read_file(given: dict[str, Any], faults: Faults) -> FileFormat:
    """Read the section [file]."""
    faults.only(given, "file", FILE_KEYS)
    encoding = text_in(given, "encoding", "file", faults, default="utf-8")
    faults.unless(_is_text_encoding(encoding), "file.encoding", "no encoding of that name is known; for example cp1252")
    separator = given.get("separator", ",")
    right = isinstance(separator, str) and len(separator) == 1 and separator not in '"\r\n'
    faults.unless(right, "file.separator", 'must be one character, for example ";" or "\\t"')
    mark = text_in(given, "decimal_mark", "file", faults, default=".")
    faults.unless(mark in (".", ","), "file.decimal_mark", 'must be "." or ","')
    order = text_in(given, "date_order", "file", faults, default=DATE_ORDERS[0])
    faults.unless(order in DATE_ORDERS, "file.date_order", f"must be one of: {'; '.join(DATE_ORDERS)}")
    times = text_in(given, "times", "file", faults)
    faults.unless(
        times in ("", LEAVE_OUT), "file.times", f'must be "{LEAVE_OUT}": the time of day behind a date is not read'
    )
    skip = given.get("skip_lines", 0)
    some = isinstance(skip, int) and not isinstance(skip, bool) and 0 <= skip <= 1000
    faults.unless(some, "file.skip_lines", "must be a whole number from 0 to 1000")
    return FileFormat(
        encoding=encoding,
        separator=separator if right else ",",
        decimal_mark=mark,
        date_order=order if order in DATE_ORDERS else DATE_ORDERS[0],
        times=times,
        skip_lines=int(skip) if some else 0,
        total_rows=texts_in(given, "total_rows", "file", faults),
        drop=texts_in(given, "drop", "file", faults),
    )


def _is_text_encoding(name: str) -> bool:
    try:
        return bool("a".encode(codecs.lookup(name).name))
    except (LookupError, ValueError, TypeError):
        return False


def read_words(given: dict[str, Any], faults: Faults) -> dict[str, dict[str, str]]:
    """Read the sections [words.NAME]; a word of theirs -> a word of ours, '' where it says nothing."""
    words: dict[str, dict[str, str]] = {}
    for name, table in given.items():
        right = isinstance(table, dict) and all(isinstance(ours, str) for ours in table.values())
        faults.unless(right, f"words.{name}", 'must hold lines like Ringfinger = "ring"')
        if right:
            words[name] = {str(word): ours.strip() for word, ours in table.items()}
            faults.unless(_distinct(words[name]), f"words.{name}", "two spellings of one word have different meanings")
    return words


def _distinct(words: dict[str, str]) -> bool:
    from registry.maps.cells import same_word

    meanings: dict[str, str] = {}
    return all(meanings.setdefault(same_word(word), ours) == ours for word, ours in words.items())


def quoted_list(words: Iterable[str]) -> str:
    """Return words in quotes, with commas."""
    return ", ".join(f"'{word}'" for word in words)
