"""A draft is a column map: it loads, waits for its answers, and then makes the rows that the clinic meant."""

from __future__ import annotations

import json
import tomllib
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from registry.dictionary import TABLES
from registry.intake.reading import FileForm, read_table
from registry.maps.applying import Mapped, apply_map
from registry.maps.loading import read_map
from registry.maps.model import ColumnMap
from registry.proposing import Draft

DATA = Path(__file__).parents[1] / "exports"
LANGUAGES = ("italian", "spanish", "polish", "dutch", "english")
FIELDS = {name for table in TABLES.values() for name in table.names}
CODED = ("side", "digit", "grip", "mechanism", "discipline")


def answered(draft: Draft, answer: Callable[[dict[str, Any]], str]) -> ColumnMap:
    """The map with every question answered, written into the text as a person would."""
    questions = iter(tomllib.loads(draft.text).get("questions", []))
    lines = [
        f"answer = {json.dumps(answer(next(questions)), ensure_ascii=False)}" if line == 'answer = ""' else line
        for line in draft.text.splitlines()
    ]
    return read_map("\n".join(lines).encode(), name="map.toml")


def applied(path: Path, column_map: ColumnMap) -> Mapped:
    file = column_map.file
    form = FileForm(
        encoding=file.encoding,
        separator=file.separator,
        skip_lines=file.skip_lines,
        total_rows=file.total_rows,
        lower_header=False,
    )
    return apply_map(read_table(path.read_bytes(), name=path.name, form=form).cells, column_map)


def rows_of(mapped: Mapped, table: str) -> list[dict[str, Any]]:
    return [row for part in mapped.parts if part.table == table for row in part.cells.to_pylist()]


def knowing(words: dict[str, dict[str, str]], holds: dict[str, str]) -> Callable[[dict[str, Any]], str]:
    """The answers of somebody who knows the clinic's words and columns."""

    def answer(question: dict[str, Any]) -> str:
        match question["target"]:
            case ["words", table, word]:
                return next((code for code, theirs in words.get(table, {}).items() if theirs == word), "leave out")
            case ["rows", _, field]:
                return next((name for name in question["options"] if holds.get(name) == field), "leave out")
            case ["file", "date_order"]:
                return "month day year"
            case [_, column]:
                return "leave out" if holds.get(column) in FIELDS else "drop"
            case _:
                return ""

    return answer


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_draft_loads_with_its_questions_open(language: str, every_invented: Any) -> None:
    draft = every_invented[language].draft
    assert len(read_map(draft.text.encode(), name="map.toml").open_questions) == draft.n_questions


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_answered_draft_makes_the_rows_that_were_meant(language: str, every_invented: Any) -> None:
    export = every_invented[language]
    column_map = answered(export.draft, knowing(export.convention.words, export.holds))
    assert not column_map.open_questions
    assert set(export.holds) == {*column_map.columns, *column_map.file.drop}
    mapped = applied(export.path, column_map)
    assert mapped.findings.num_rows == 0
    cases = rows_of(mapped, "cases")
    assert len(cases) == len(export.truth)
    for case, truth in zip(cases, export.truth, strict=True):
        activity = case.get("activity", "")
        assert case["onset"] == truth["onset"]
        assert {**case, "mechanism": case["mechanism"] or activity}.items() >= {
            name: truth[name] for name in CODED if name in truth
        }.items()
    assert [row["sex"] for row in rows_of(mapped, "athletes")] == [truth["sex"] for truth in export.truth]


def test_the_german_export_is_held_only_where_it_is_at_fault(example: Any) -> None:
    """The faults that a map can see: 0008 an impossible date, 0020 a sixth finger; what else is wrong, intake finds."""
    column_map = answered(example("harbour_cases.csv"), lambda _: "slow_pull")
    mapped = applied(DATA / "harbour_cases.csv", column_map)
    assert [(row["line"], row["column"], row["code"]) for row in mapped.findings.to_pylist()] == [
        (9, "Verletzungsdatum", "impossible_date"),
        (21, "Finger", "unknown_word"),
    ]
    assert Counter(part.table for part in mapped.parts) == Counter(
        ["athletes", "cases", "findings", "imaging", "follow_ups"]
    )


def test_the_wide_export_is_held_only_where_it_is_at_fault(example: Any) -> None:
    column_map = answered(example("valley_cases_wide.csv"), lambda _: "slow_pull")
    mapped = applied(DATA / "valley_cases_wide.csv", column_map)
    assert [(row["line"], row["column"], row["code"]) for row in mapped.findings.to_pylist()] == [
        (19, "Ray", "no_such_ray")
    ]
    assert [part.cells.num_rows for part in mapped.parts if part.table == "follow_ups"] == [90, 90, 0]


def test_the_french_export_once_its_questions_are_answered(example: Any) -> None:
    """Besides 0010 and 0015 one thumb is held: "pouce" occurs once, so the draft neither knows nor shows it."""
    words = {
        "side": {"left": "G", "right": "D"},
        "digit": {"ring": "annulaire", "middle": "majeur", "little": "auriculaire"},
        "mechanism": {"slow_pull": "static_hold"},
    }
    holds = {
        "numero": "case", "code_grimpeur": "athlete", "annee_naissance": "birth_year", "date_blessure": "onset",
        "main": "side", "doigt": "digit", "prehension": "grip",
    }  # fmt: skip

    def answer(question: dict[str, Any]) -> str:
        return knowing(words, holds | dict.fromkeys(["numero"], question["target"][-1]))(question)

    mapped = applied(DATA / "ridge_cases.tsv", answered(example("ridge_cases.tsv"), answer))
    assert Counter((row["column"], row["code"]) for row in mapped.findings.to_pylist()) == {
        ("structures", "unknown_word"): 1,
        ("structures", "lists_differ"): 1,
        ("doigt", "unknown_word"): 1,
    }
    assert {case["digit"] for case in rows_of(mapped, "cases")} == {"index", "middle", "ring", "little", "pouce"}
