"""How a foreign file is written: encodings, separators, headers, totals, and when the file does not tell."""

from __future__ import annotations

import pytest

from registry.errors import DeliveryError
from registry.proposing.contents import date_order, decimal_mark, profile
from registry.proposing.detecting import detect_encoding, detect_separator, detect_text

GERMAN = "Fallnr;Verletzungsdatum;Seite;Größe cm\n1;12.01.2023;links;180\n2;13.01.2023;rechts;Fuß hängend\n"
POLISH = "Nr przypadku;Data urazu;Palec;Płeć\n1;12.01.2023;środkowy;K\n2;13.01.2023;wskazujący;M\n3;;mały;K\n"
RUSSIAN = "Номер;Палец\n1;средний\n2;безымянный\n"


@pytest.mark.parametrize(
    ("text", "encoding", "found"),
    [
        (GERMAN, "utf-8", "utf-8"),
        (GERMAN, "utf-8-sig", "utf-8"),
        (GERMAN, "utf-16", "utf-16"),
        (GERMAN, "utf-16-le", "utf-16-le"),
        (GERMAN, "utf-16-be", "utf-16-be"),
        (GERMAN, "cp1252", "cp1252"),
        (GERMAN, "cp437", "cp437"),
        (GERMAN, "mac-roman", "mac-roman"),
        (POLISH, "cp1250", "cp1250"),
        (RUSSIAN, "cp1251", "cp1251"),
    ],
)
def test_letters_tell_the_encoding(text: str, encoding: str, found: str) -> None:
    guess, read = detect_encoding(text.encode(encoding))
    assert (guess.value, guess.others) == (found, ())
    assert read == text


def test_letters_that_fit_several_encodings_are_asked_about() -> None:
    """E5 is å in Western files and ĺ in Central European ones; no header says which language it is."""
    guess, _ = detect_encoding("x;långfinger\n".encode("cp1252"))
    assert guess.value == "cp1252"
    assert "cp1250" in guess.others


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_separator(separator: str) -> None:
    rows = [["Case", "Gap", "Side"], ["1", "1.5", "left"], ["2", "2.5", "right"]]
    guess = detect_separator("\n".join(separator.join(row) for row in rows))
    assert (guess.value, guess.others) == (separator, ())


def test_decimal_commas_do_not_pass_for_separators() -> None:
    text = "Fall;Abstand;Dicke\n1;1,3;2,5\n2;1,4;2,6\n3;1,5;2,7\n"
    assert detect_separator(text).value == ";"


def test_a_file_that_two_separators_cut_alike_is_asked_about() -> None:
    guess = detect_separator("a,b;c,d\n1,2;3,4\n5,6;7,8\n")
    assert (guess.value, guess.others) == (",", (";",))


def test_header_below_a_preamble_with_quotes_and_blank_lines() -> None:
    data = b'Export "hand clinic"\n\nmade on;2024-05-01\nCase;Side;Finger\n1;left;ring\n2;right;index\n'
    shape = detect_text(data, name="x.csv")
    assert (shape.skip_lines, shape.header) == (3, ("Case", "Side", "Finger"))
    assert shape.rows == [["1", "left", "ring"], ["2", "right", "index"]]


def test_totals_are_the_last_rows_only() -> None:
    data = b"Extent,Case\ntotal,1\npartial,2\ntotal,3\npartial,4\nTotal,4\n"
    assert detect_text(data, name="x.csv").total_rows == ("Total",)
    data = b"Extent,Case\ntotal,1\npartial,2\n"
    assert detect_text(data, name="x.csv").total_rows == ()


def test_a_file_without_a_header_is_refused() -> None:
    with pytest.raises(DeliveryError, match="no line looks like a header"):
        detect_text(b"1,2024-01-01,3\n2,2024-01-02,4\n", name="x.csv")


@pytest.mark.parametrize(
    ("cells", "value", "asked"),
    [
        (["13.01.2023", "02.03.2023"], "day month year", False),
        (["01/13/2023", "02/03/2023"], "month day year", False),
        (["01/02/2023", "02/03/2023"], "day month year", True),
        (["13/01/2023", "01/13/2023"], "day month year", True),
        (["2023/01/13", "2023/02/01"], "year month day", False),
    ],
)
def test_only_a_day_above_twelve_proves_the_order(cells: list[str], value: str, asked: bool) -> None:
    order = date_order([profile(cells)])
    assert order is not None
    assert (order.value, bool(order.others)) == (value, asked)


def test_iso_dates_need_no_order_and_other_columns_give_none() -> None:
    assert date_order([profile(["2023-01-13"]), profile(["1994", "1987", "12/05/1994"])]) is None


@pytest.mark.parametrize(
    ("cells", "mark", "asked"),
    [
        (["1,5", "2"], ",", False),
        (["1.5", "2"], ".", False),
        (["1.5", "1,5", "1,6"], ",", True),
        (["1,500"], ",", True),
    ],
)
def test_decimal_mark(cells: list[str], mark: str, asked: bool) -> None:
    found = decimal_mark([profile(cells)])
    assert found is not None
    assert (found.value, bool(found.others)) == (mark, asked)


def test_dates_with_dots_say_nothing_of_decimals() -> None:
    assert decimal_mark([profile(["12.01.2023"]), profile(["7", "8"])]) is None
