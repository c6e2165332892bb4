"""What a cell gives away, and what must never be taken for it. Every person, number and address is invented."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.dictionary import SHEET, TABLES
from registry.privacy.column_names import announced
from registry.privacy.direct_identifiers import DIRECT_IDENTIFIERS, printed_identifiers
from registry.privacy.shapes import Place, identifier_in, says_more_than_a_year
from registry.privacy.vocabulary import words_in

GRADES = [
    "7b+ Font",
    "5.12a YDS",
    "IX- UIAA",
    "V8 Hueco",
    "8a French",
    "7A+",
    "26 Ewbank",
    "VI.3 Kurtyka",
    "6c+/7a",
    "7b",
]
SCHEMES = [
    "Salter Harris",
    "Salter-Harris II",
    "Schöffl 2003",
    "UIAA MedCom",
    "Quick DASH",
    "Michigan Hand Outcomes",
    "III",
]
CASES = [
    "0001",
    "V-0006",
    "2024/117",
    "F-2024-0031",
    "20240031",
    "A12",
    "01-2024-0031",
    "Fall 12",
    "Case No 7",
    "n-17.2",
]


@pytest.mark.parametrize("cell", GRADES + SCHEMES)
def test_grades_and_schemes_are_no_identifiers(cell: str) -> None:
    assert identifier_in(cell, place="text") is None


@pytest.mark.parametrize("cell", [*CASES, "012-000345", "R1", "reader B", "AB20001-20240301-left-ring"])
def test_case_numbers_are_no_identifiers(cell: str) -> None:
    assert identifier_in(cell, place="key") is None


@pytest.mark.parametrize(
    "cell",
    ["Full Crimp", "a2:complete; a3:partial", "A4 Zerrung", "CAPSULE Entzündung", "A2 Ruptur + A3 Teilruptur", "D",
     "capsule (inflammation)", "Mittelfinger", "complete|partial", "Not Applicable", "a9", "Fuß abgerutscht"],
)  # fmt: skip
def test_codes_in_any_spelling_are_no_identifiers(cell: str) -> None:
    assert identifier_in(cell, place="code") is None


@pytest.mark.parametrize(
    "cell",
    ["University Hospital of Quendelstadt, Department of Hand Surgery", "Art. 9(2)(j) GDPR; ethics vote 2024-00117",
     "Consent of the climber, for minors of a guardian as well"],
)  # fmt: skip
def test_controller_and_legal_basis_may_be_sentences(cell: str) -> None:
    assert identifier_in(cell, place="sentence") is None
    assert identifier_in(f"{cell}, hand@post.example", place="sentence") == "an e-mail address"
    assert identifier_in(f"{cell}, +41 44 555 01 17", place="sentence") == "a telephone number"


def test_every_code_and_label_of_the_dictionary_passes() -> None:
    for table in (*TABLES.values(), SHEET):
        for field in table.fields:
            for word in (*field.accepted_words, field.label, field.name):
                written = word.replace("_", " ")
                for form in (word, written, written.title(), written.upper()):
                    assert identifier_in(form, place="code") is None, form


NAMES = ["Anna Berg", "Berg, Anna", "BERG Anna", "ANNA BERG", "Anna-Lena Quendel", "Jo O’Quendel", "Anna von Quendel",
         "Dr. Quendel", "Frau Quendel", "A. Quendel", "Quendel, A.", "Zoë Ürgüplü",
         "Anna_Berg", "Анна Бёрг"]  # fmt: skip
PHONES = ["+41 79 555 01 17", "0041795550117", "079 555 01 17", "(030) 5550117", "0171/5550117", "415-555-0132",
          "06 12 34 56 78", "0795550117", "612 345 678", "347 5550132", "+1 (415) 555-0132",
          "044 555 01 17"]  # fmt: skip
NUMBERS = ["756.1234.5678.97", "7561234567897", "123-45-6789", "1 85 05 78 006 084 36", "185057800608436",
           "RSSMRA85T10A562S", "QQ123456C".replace("QQ", "AB"), "12345678Z", "CH93 0076 2011 6238 5295 7",
           "DE89370400440532013000"]  # fmt: skip
ADDRESSES = ["Quendelstrasse 12", "12 rue de la Paix", "Rue du Lac, 5", "12 Quendel Street", "Quendel Road 12",
             "8001 Zürich", "D-80331 München", "75011 Paris", "Via Roma 7", "SW1A 1AA"]  # fmt: skip
WEB = ["https://post.example/anna", "www.quendel.example", "quendel.ch", "192.168.0.17", "46.9480, 7.4474"]
MAILS = ["anna.berg@post.example", "a_b+c@x.example", "mail: anna@post.example!", "anna (at) post.example"]


@pytest.mark.parametrize("place", ["key", "text", "dropped"])
@pytest.mark.parametrize("cell", NAMES + PHONES + NUMBERS + ADDRESSES + WEB + MAILS)
def test_identifiers_are_seen_where_free_words_could_stand(cell: str, place: str) -> None:
    said = identifier_in(cell, place=place)  # type: ignore[arg-type]
    assert said is not None
    assert cell not in said


@pytest.mark.parametrize("place", ["code", "date", "number"])
@pytest.mark.parametrize("cell", ["Anna Berg", "Berg, Anna", "Frau Quendel", *PHONES, *NUMBERS, *ADDRESSES, *MAILS])
def test_identifiers_are_seen_where_codes_and_numbers_belong(cell: str, place: str) -> None:
    assert identifier_in(cell, place=place) is not None  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("cell", "place"),
    [("fell off the warm up wall", "key"), ("slept badly before", "text"), ("seen twice by the doctor", "dropped"),
     ("he slipped while his partner was filming him", "code")],
)  # fmt: skip
def test_free_text_is_seen(cell: str, place: str) -> None:
    assert identifier_in(cell, place=place) == "free text"  # type: ignore[arg-type]


def test_words_that_the_map_knows_are_no_name() -> None:
    known = words_in("Offene Hand; Grosser Henkel")
    assert identifier_in("Grosser Henkel", place="code") == "a name"
    assert identifier_in("Grosser Henkel", place="code", words=known) is None


MONTHS = {"en": "May", "de": "Mai", "fr": "mai", "it": "maggio", "es": "mayo", "short": "Dez.", "roman": "V"}


@given(
    day=st.integers(1, 28), month=st.integers(1, 12), year=st.integers(1930, 2015),
    mark=st.sampled_from([".", "/", "-", " ", ". ", "_", "·"]), order=st.permutations([0, 1, 2]),
    padded=st.booleans(), short=st.booleans(), word=st.sampled_from([*MONTHS.values(), ""]),
)  # fmt: skip
def test_a_full_date_never_passes_for_a_year(
    day: int, month: int, year: int, mark: str, order: list[int], padded: bool, short: bool, word: str
) -> None:
    parts = [f"{day:02d}" if padded else str(day), word or str(month), str(year)[2:] if short else str(year)]
    written = mark.join(parts[place] for place in order)
    if word == "V" and (order[1] != 1 or mark in "_·"):
        return  # a Roman month stands between day and year
    assert identifier_in(written, place="year") == "a full date where only the year may stand"
    assert identifier_in(written, place="birth_year") == "a full date where only the year may stand"


@given(st.integers(1900, 2100))
def test_a_year_is_a_year(year: int) -> None:
    for form in (
        str(year),
        f"{year}.0",
        f"ca. {year}",
        str(year)[2:],
        f"{year}/{(year + 1) % 100:02d}" if year % 100 > 12 else "",
    ):
        assert not says_more_than_a_year(form, born=False)
    assert says_more_than_a_year(f"05/{year}", born=True)


@pytest.mark.parametrize(
    ("column", "what"),
    [("Vorname", "a name"), ("Nom du patient", "a name"), ("E-Mail-Adresse", "an e-mail address"),
     ("Tel. privat", "a telephone number"), ("Geb.-Datum", "a birth date"), ("Date de naissance", "a birth date"),
     ("AHV-Nr.", "a national or insurance number"), ("Pat.-Nr.", "a patient number"), ("PLZ/Ort", "a postal address"),
     ("commentaire", "free text"), ("Patient name (first, last)", "a name"), ("Téléphone", "a telephone number")],
)  # fmt: skip
def test_columns_that_announce_an_identifier(column: str, what: str) -> None:
    assert announced(column) == what


def test_no_column_of_ours_announces_one() -> None:
    assert [f.name for t in (*TABLES.values(), SHEET) for f in t.fields if announced(f.name)] == []


@pytest.mark.parametrize(
    "column", ["Fallnr", "Griffposition", "letzter Kontakt", "Case ID", "FU1 date", "numero", "doigt"]
)
def test_columns_that_announce_none(column: str) -> None:
    assert announced(column) is None


def test_the_list_of_identifiers_is_whole_and_printed() -> None:
    letters = [one.letter for one in DIRECT_IDENTIFIERS]
    assert letters == list("ABCDEFGHIJKLMNOPQR")  # 45 CFR 164.514(b)(2)(i)(A)-(R)
    assert printed_identifiers().count("\n| ") == len(letters) + 1


@pytest.mark.parametrize(
    ("cell", "place", "found"),
    [
        ("12.05.1994", "key", "a full date"), ("05/12/2014", "key", "a full date"),
        ("12 May 1994", "key", "a full date"), ("7 Case 2024", "key", None),
        ("5. März 1994", "key", "a full date"), ("1994-05-12", "key", "a full date"),
        ("12.05.1994", "code", "a full date"),
        ("2024-05-12", "key", None), ("2024/5/12", "key", None), ("12-2024", "key", None), ("12.05.2024", "code", None),
        ("12-05-99999", "key", None), ("K 12/2024", "key", None),
    ],
)  # fmt: skip
def test_a_birth_date_is_no_case_number_and_no_code(cell: str, place: Place, found: str | None) -> None:
    assert identifier_in(cell, place=place) == found
