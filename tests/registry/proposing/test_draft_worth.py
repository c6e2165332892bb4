"""What a draft is worth: columns taken rightly, wrongly, asked about. A wrong sure guess must not happen."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from registry.proposing import Draft, propose_map

MAY_FEED = {
    "athlete": {"athlete"},
    "structures": {"structure"},
    "extents": {"extent"},
    "mechanism": {"mechanism", "activity"},
    "ultrasound_on": {"seen_by", "found_on", "done_on"},
    "full_from": {"status", "since"},
    "last_contact": {"seen"},
    "seen 1": {"seen"},
    "status 1": {"status"},
    "dominant": {"dominant_hand"},
}
"""Which of our fields a column may feed; a column of any other kind feeds the field of its own name."""
NOBODY = {"other date", "shoe size", "free text", "name", "mail", "birth date", "preferred"}
HARBOUR = dict(
    zip(
        [
            "Fallnr",
            "Patient (Pseudonym)",
            "Geschlecht",
            "Jahrgang",
            "Verletzungsdatum",
            "Seite",
            "Finger",
            "Befund",
            "Abstand mm",
            "Griffposition",
            "Hergang",
            "Disziplin",
            "Sono am",
            "volle Belastung ab",
            "letzter Kontakt",
        ],
        [
            "case",
            "athlete",
            "sex",
            "birth_year",
            "onset",
            "side",
            "digit",
            "structures",
            "gap_mm",
            "grip",
            "mechanism",
            "discipline",
            "ultrasound_on",
            "full_from",
            "last_contact",
        ],
        strict=True,
    )
)
VALLEY = dict(
    zip(
        [
            "Case ID",
            "Climber",
            "Sex",
            "YOB",
            "Date of injury",
            "Hand",
            "Ray",
            "Structures",
            "Grip",
            "Event",
            "Discipline",
            "FU{n} date",
            "FU{n} status",
        ],
        [
            "case",
            "athlete",
            "sex",
            "birth_year",
            "onset",
            "side",
            "digit",
            "structures",
            "grip",
            "mechanism",
            "discipline",
            "seen 1",
            "status 1",
        ],
        strict=True,
    )
)
RIDGE = dict(
    zip(
        [
            "numero",
            "code_grimpeur",
            "sexe",
            "annee_naissance",
            "date_blessure",
            "main",
            "doigt",
            "structures",
            "gravite",
            "prehension",
            "mouvement",
            "discipline",
            "reprise_complete",
            "dernier_contact",
        ],
        [
            "case",
            "athlete",
            "sex",
            "birth_year",
            "onset",
            "side",
            "digit",
            "structures",
            "extents",
            "grip",
            "mechanism",
            "discipline",
            "full_from",
            "last_contact",
        ],
        strict=True,
    )
)


def worth(draft: Draft, holds: dict[str, str]) -> tuple[int, list[str], list[str]]:
    """Columns taken rightly (how many), wrongly, asked about; an empty column that is dropped is right."""
    right, wrong, asked = 0, [], []
    for name, feeds, _, question in draft.columns:
        held = holds.get(name.replace("{n}", "1"), holds.get(name, ""))
        if question:
            asked.append(name)
        elif feeds.startswith("dropped") or (
            {feed.rpartition(".")[2] for feed in feeds.split(", ")} <= MAY_FEED.get(held, {held}) and held not in NOBODY
        ):
            right += 1
        else:
            wrong.append(f"{name}: {feeds}")
    return right, wrong, asked


def wrong_words(draft: Draft, words: dict[str, dict[str, str]]) -> list[tuple[str, str, str]]:
    """Words that the draft translates otherwise than the clinic that wrote them."""
    meant = {name: {word.casefold(): code for code, word in listed.items()} for name, listed in words.items()}
    states = {"off": "off_climbing", "easy": "modified_climbing", "full": "full_climbing"}
    found = []
    for table, listed in tomllib.loads(draft.text)["words"].items():
        for word, code in listed.items():
            truth = meant.get({"dominant_hand": "side", "activity": "mechanism"}.get(table, table), {}).get(
                word.casefold()
            )
            if truth is None or code == "":
                continue
            if states.get(truth, truth) not in (code, {"campus_board": "campus_board"}.get(code)):
                found.append((table, word, code))
    return found


def answers(draft: Draft) -> list[dict[str, Any]]:
    return list(tomllib.loads(draft.text).get("questions", []))


def test_an_invented_export_is_never_taken_wrongly(invented: Any) -> None:
    draft = invented.draft
    right, wrong, asked = worth(draft, invented.holds)
    assert not wrong
    assert not wrong_words(draft, invented.convention.words)
    assert right + len(asked) == len(draft.columns)


@pytest.mark.parametrize(
    ("language", "right", "asked"),
    [
        ("italian", 16, 2),
        ("spanish", 15, 2),
        ("polish", 15, 1),
        ("dutch", 17, 1),
        ("english", 16, 4),
        ("swedish", 0, 15),
    ],
)
def test_how_much_of_each_language_is_taken(language: str, right: int, asked: int, every_invented: Any) -> None:
    """Measured, so that a change of the vocabulary or of a threshold shows what it costs."""
    export = every_invented[language]
    found, _, questions = worth(export.draft, export.holds)
    assert (found, len(questions)) == (right, asked)


@pytest.mark.parametrize(("file", "holds"), [("harbour_cases.csv", HARBOUR), ("valley_cases_wide.csv", VALLEY)])
def test_languages_that_the_vocabulary_knows_are_taken_whole(file: str, holds: dict[str, str], example: Any) -> None:
    right, wrong, asked = worth(example(file), holds)
    assert (right, wrong, asked) == (len(holds), [], [])


def test_a_language_that_the_vocabulary_does_not_know_is_mostly_asked_about(example: Any) -> None:
    """No French word is in the vocabulary: likeness to other languages and the cells themselves are all there is."""
    draft = example("ridge_cases.tsv")
    right, wrong, asked = worth(draft, RIDGE)
    assert not wrong
    assert right == 6  # sexe, structures, gravite, mouvement, discipline, and the empty commentaire
    assert asked == [
        "numero", "code_grimpeur", "annee_naissance", "date_blessure", "main", "doigt", "prehension",
        "reprise_complete", "dernier_contact",
    ]  # fmt: skip
    offered = {
        question["target"][2]: question["options"] for question in answers(draft) if question["target"][0] == "rows"
    }
    assert {name: options[0] for name, options in offered.items()}.items() >= {
        "case": "numero", "athlete": "code_grimpeur", "birth_year": "annee_naissance", "onset": "date_blessure",
        "side": "main", "digit": "doigt", "grip": "prehension",
    }.items()  # fmt: skip
    file = tomllib.loads(draft.text)["file"]
    assert (file["separator"], file["skip_lines"], file["total_rows"], file["drop"]) == (
        "\t",
        2,
        ["TOTAL"],
        ["commentaire"],
    )


def test_words_that_mean_several_things_are_asked_about(example: Any) -> None:
    asked = {tuple(question["target"]) for question in answers(example("harbour_cases.csv"))}
    assert asked == {("words", "mechanism", "statisch")}
    asked = {tuple(question["target"]) for question in answers(example("valley_cases_wide.csv"))}
    assert asked == {("words", "mechanism", "static hold")}


TRAPS = {
    "Preferred discipline": ["lead", "bouldering"],
    "Earlier injured finger": ["ring", "middle"],
    "Date": ["2024-01-31", "2024-02-15"],
    "Date of operation": ["2024-01-31", "2024-02-15"],
    "Weight": ["150", "160"],
    "Height": ["1.75", "1.80"],
    "Year": ["1999", "2004"],
    "Code": ["P10001", "P10002"],
    "Age": ["1985", "1990"],
    "Onset": ["sudden", "gradual"],
    "Job status": ["full", "off"],
    "Grade": ["2", "3"],
    "Type": ["A", "B"],
    "Partner's sex": ["male", "female"],
    "Doctor's hand": ["left", "right"],
    "Fingers": ["2", "1"],
}


@pytest.mark.parametrize("header", TRAPS)
def test_a_likely_looking_column_is_not_taken_for_sure(header: str, tmp_path: Path) -> None:
    file = tmp_path / "trap.csv"
    file.write_text("\n".join(["Case ID," + header, *(f"V{n:04d},{TRAPS[header][n % 2]}" for n in range(40))]))
    columns = {name: (feeds, question) for name, feeds, _, question in propose_map(file, site="x").columns}
    assert columns[header][0] == ""
    assert columns[header][1].startswith("question")


def test_two_columns_with_one_claim_are_both_asked_about(tmp_path: Path) -> None:
    file = tmp_path / "two.csv"
    file.write_text("Case ID,Side,Injured hand\n1,left,left\n2,right,left\n3,left,right\n4,right,right\n")
    draft = propose_map(file, site="x")
    [question] = [one for one in answers(draft) if one["target"] == ["rows", "cases", "side"]]
    assert question["options"] == ["Side", "Injured hand"]
    drops = [one for one in answers(draft) if one["target"][0] == "drop"]
    assert [one["target"][1] for one in drops] == ["Side", "Injured hand"]
    assert all("If it was chosen there, answer 'leave out'" in one["ask"] for one in drops)
