"""Cells: dates, numbers and words are read in the declared way or not at all."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from registry.dictionary import TABLES
from registry.maps.cells import read_date, read_number, reader_of, same_word
from registry.maps.model import DATE_ORDERS, CellRule, ColumnMap, FileFormat

DAYS = st.dates(date(1900, 1, 1), date(2100, 12, 31))


def written(day: date, order: str, mark: str, *, zeros: bool) -> str:
    d, mo = (f"{day.day:02d}", f"{day.month:02d}") if zeros else (str(day.day), str(day.month))
    parts = {"day": d, "month": mo, "year": f"{day.year:04d}"}
    return mark.join(parts[name] for name in order.split())


@given(day=DAYS, order=st.sampled_from(DATE_ORDERS), mark=st.sampled_from("./-"), zeros=st.booleans())
def test_a_date_comes_back_in_each_order(day: date, order: str, mark: str, zeros: bool) -> None:
    assert read_date(written(day, order, mark, zeros=zeros), order=order) == (day.isoformat(), "")
    assert read_date(day.isoformat(), order=order) == (day.isoformat(), "")
    assert read_date(f"{day.isoformat()} 00:00:00", order=order) == (day.isoformat(), "")


@given(day=DAYS, order=st.sampled_from(DATE_ORDERS[1:]), mark=st.sampled_from("./-"))
def test_a_date_is_never_turned_round_to_make_sense(day: date, order: str, mark: str) -> None:
    other = next(one for one in DATE_ORDERS[1:] if one != order)
    text = written(day, other, mark, zeros=True)
    read, code = read_date(text, order=order)
    if day.day > 12:
        assert (read, code) == (text, "impossible_date")
    else:
        assert (read, code) == (date(day.year, day.day, day.month).isoformat(), "")


@pytest.mark.parametrize(
    ("text", "order", "read"),
    [
        ("3. 4. 2023", "day month year", ("2023-04-03", "")),
        ("03.04.23", "day month year", ("03.04.23", "not_a_date")),
        ("2023.04.03", "year month day", ("2023-04-03", "")),
        ("2023.04.03", "day month year", ("2023.04.03", "not_a_date")),
        ("03.04-2023", "day month year", ("03.04-2023", "not_a_date")),
        ("20230403", "year month day", ("20230403", "not_a_date")),
        ("45019", "day month year", ("45019", "not_a_date")),
        ("03-Apr-2023", "day month year", ("03-Apr-2023", "not_a_date")),
        ("April 2023", "day month year", ("April 2023", "not_a_date")),
        ("12.01.2023 14:35", "day month year", ("12.01.2023 14:35", "not_a_date")),
        ("29.02.2023", "day month year", ("29.02.2023", "impossible_date")),
        ("00.01.2023", "day month year", ("00.01.2023", "impossible_date")),
        ("0000-01-01", "day month year", ("0000-01-01", "impossible_date")),
        ("unknown", "day month year", ("unknown", "")),
        ("١٢.٠١.٢٠٢٣", "day month year", ("١٢.٠١.٢٠٢٣", "not_a_date")),
    ],
)
def test_dates_as_sites_write_them(text: str, order: str, read: tuple[str, str]) -> None:
    assert read_date(text, order=order) == read


@pytest.mark.parametrize(
    "text", ["3-Apr-2023", "03 APR 2023", "3. Apr. 2023", "Apr 3, 2023", "apr. 3 2023", "2023-Apr-03"]
)
@pytest.mark.parametrize("order", DATE_ORDERS)
def test_the_map_may_name_the_months(text: str, order: str) -> None:
    assert read_date(text, order=order, months={"apr": 4}) == ("2023-04-03", "")
    assert read_date(
        text.replace("3", "31", 1) if text.startswith("3-") else "31 Apr 2023", order=order, months={"apr": 4}
    )[1] == ("impossible_date")
    assert read_date(text, order=order, months={"may": 5}) == (text, "not_a_date")


def test_a_time_of_day_is_left_out_only_where_the_map_says_so() -> None:
    assert read_date("12.01.2023 14:35", order="day month year", without_time=True) == ("2023-01-12", "")
    assert read_date("12.01.2023 9:05:10", order="day month year", without_time=True) == ("2023-01-12", "")


@given(st.decimals(allow_nan=False, allow_infinity=False, places=3, min_value=-(10**9), max_value=10**9))
def test_a_number_never_changes_its_value(number: Decimal) -> None:
    plain = f"{number:f}"
    assert read_number(plain, mark=".") == (plain, "")
    text, code = read_number(plain.replace(".", ","), mark=",")
    assert (Decimal(text), code) == (number, "")


@given(st.decimals(places=2, min_value=0, max_value=10**6), st.sampled_from([60.0, 0.1, 10.0, 7.0]))
def test_a_factor_multiplies_exactly(number: Decimal, factor: float) -> None:
    text, code = read_number(f"{number:f}", mark=".", factor=factor)
    assert (Decimal(text), code) == (number * Decimal(str(factor)), "")


@pytest.mark.parametrize(
    ("text", "mark", "unit", "read"),
    [
        ("1.234", ",", "", ("1.234", "not_a_number")),
        ("1.234,5", ",", "", ("1.234,5", "not_a_number")),
        ("2.5", ",", "", ("2.5", "")),
        ("3,2 mm", ",", "mm", ("3.2", "")),
        ("3,2mm", ",", "mm", ("3.2", "")),
        ("3,2 MM", ",", "mm", ("3.2", "")),
        ("unknown", ",", "mm", ("unknown", "")),
    ],
)
def test_numbers_as_sites_write_them(text: str, mark: str, unit: str, read: tuple[str, str]) -> None:
    assert read_number(text, mark=mark, unit=unit) == read


@pytest.mark.parametrize("text", ["3,2 mm", "1.234.567", "about 3", "3 - 4", "1e3", "½"])
def test_what_is_no_number_is_left_for_the_dictionary_to_hold(text: str) -> None:
    assert read_number(text, mark=".") == (text, "")
    assert read_number(text, mark=".", factor=60, whole=True) == (text, "not_a_number")


WORDS = {"Ringfinger": "ring", "MITTEL_finger": "middle", "keiner": ""}
SIDE_MAP = ColumnMap(name="m", sha256="", text="", words={"finger": WORDS}, file=FileFormat())
READ_DIGIT = reader_of(TABLES["cases"]["digit"], CellRule(columns=("x",), words="finger"), SIDE_MAP)


@example("\r")  # no blank of a cell: it is held, as it is in our own columns
@given(st.text(max_size=12))
def test_a_word_without_an_entry_never_becomes_a_code(word: str) -> None:
    text, code = READ_DIGIT(word)
    known = {same_word(one) for one in (*WORDS, *TABLES["cases"]["digit"].accepted_words, "unknown", "not_applicable")}
    cell = word.strip(" \t\u00a0\u202f")
    if cell and same_word(cell) not in known:
        assert code == "unknown_word"
        assert text == cell
    else:
        assert code == ""


@pytest.mark.parametrize(
    ("word", "read"),
    [
        ("ringfinger", ("ring", "")),
        (" Mittel  Finger ", ("middle", "")),
        ("middle", ("middle", "")),
        ("keiner", ("", "")),
        ("", ("", "")),
        ("Ringfinger?", ("Ringfinger?", "unknown_word")),
        ("4", ("4", "unknown_word")),
    ],
)
def test_words_are_compared_without_case_and_blanks(word: str, read: tuple[str, str]) -> None:
    assert READ_DIGIT(word) == read


def test_an_accent_is_the_same_in_one_sign_or_two() -> None:
    assert same_word("ha\u0308ngend") == same_word("H\u00e4ngend")


def test_rays_are_counted_from_the_thumb() -> None:
    read = reader_of(TABLES["cases"]["digit"], CellRule(columns=("x",), words="rays"), SIDE_MAP)
    assert [read(ray) for ray in ("1", "5", "0", "6", "IV", "ring")] == [
        ("thumb", ""),
        ("little", ""),
        ("0", "no_such_ray"),
        ("6", "no_such_ray"),
        ("IV", "no_such_ray"),
        ("ring", ""),
    ]


COURSE_FIELDS = [field for table in TABLES.values() for field in table.fields]


def test_a_list_of_complications_is_read_part_by_part() -> None:
    field = next(one for one in COURSE_FIELDS if one.name == "complications")
    first, second, *_ = field.words
    column_map = ColumnMap(
        name="m", sha256="", text="", words={"c": {"Eins": first, "Zwei, spät": second, "keine": ""}}
    )
    read = reader_of(field, CellRule(columns=("x",), words="c"), column_map)
    assert read("eins + Drei") == ("eins + Drei", "unknown_word")
    assert read("Zwei, spät") == (second, "")
    assert read(f"Eins; {second}") == (f"{first}; {second}", "")
    assert read("keine") == ("", "")
