"""Numbers that name a person: telephone numbers, national and insurance numbers, bank accounts, addresses of machines.

Shapes and check digits are from memory (the IBAN's is that of ISO 13616, remainder 1 modulo 97). Where a shape is also
that of a plain case number, only a number that nothing else looks like is taken: a case number is not to be refused.
"""

from __future__ import annotations

import re

DATE_IN_IT = re.compile(
    r"(?<![0-9])(?:(?:19|20)[0-9]{2}[-./][0-9]{1,2}[-./][0-9]{1,2}|[0-9]{1,2}[-./][0-9]{1,2}[-./](?:19|20)[0-9]{2})"
    r"(?:[ T][0-9]{1,2}:[0-9]{2}(?::[0-9]{2})?)?(?![0-9])"
)
PHONE_LIKE = re.compile(r"(?<![\w+])\+?\(?[0-9][0-9()./ \u00a0\u2013-]{5,}[0-9](?!\w)")
YEAR = re.compile(r"(?:19|20)[0-9]{2}")
GROUPS_WITH_BLANKS = {(3, 3, 3), (3, 7), (2, 2, 2, 2), (3, 2, 3), (3, 2, 2, 2)}
"""How numbers without a leading 0 are grouped in Spain, Poland, Italy, Denmark and Norway."""

NATIONAL = (
    re.compile(r"(?<![0-9])756[. ]?[0-9]{4}[. ]?[0-9]{4}[. ]?[0-9]{2}(?![0-9])"),  # Swiss AHV/AVS
    re.compile(r"(?<![0-9-])[0-9]{3}[- ][0-9]{2}[- ][0-9]{4}(?![0-9-])"),  # social security, United States
    re.compile(  # NIR, France: sex, year, month, department, commune, serial, key
        r"(?<![0-9])[12] ?[0-9]{2} ?(?:0[1-9]|1[0-2]|[2-9][0-9]) ?(?:[0-9]{2}|2[AB]) ?[0-9]{3} ?[0-9]{3}"
        r"(?: ?[0-9]{2})?(?![0-9])"
    ),
    re.compile(r"(?<!\w)[A-Z]{6}[0-9]{2}[A-EHLMPRST][0-9]{2}[A-Z][0-9]{3}[A-Z](?!\w)", re.IGNORECASE),  # Italy
    re.compile(  # national insurance, United Kingdom
        r"(?<!\w)[A-CEGHJ-PR-TW-Z][A-CEGHJ-NPR-TW-Z] ?[0-9]{2} ?[0-9]{2} ?[0-9]{2} ?[A-D](?!\w)"
    ),
)
NORDIC = re.compile(r"(?<![0-9])[0-9]{6}[-+][0-9]{4}(?![0-9])")
SPANISH = re.compile(r"(?<!\w)([XYZ]?)([0-9]{7,8})-?([A-Z])(?!\w)")
SPANISH_LETTERS = "TRWAGMYFPDXBNJZSQVHLCKE"
IBAN_LIKE = re.compile(r"(?<!\w)[A-Z]{2}[0-9]{2}(?: ?[A-Z0-9]{1,4}){3,8}(?!\w)", re.IGNORECASE)
MACHINE = re.compile(r"(?<![0-9.])(?:(?:25[0-5]|2[0-4][0-9]|1[0-9]{2}|[1-9]?[0-9])[.]){3}[0-9]{1,3}(?![0-9.])")
PLACE_ON_EARTH = re.compile(r"-?[0-9]{1,2}[.][0-9]{3,}[°]?[NS]?[,; ]+-?[0-9]{1,3}[.][0-9]{3,}")


def number_that_names(cell: str, *, is_key: bool) -> str | None:
    """Say what kind of number in the cell names a person, or None.

    Parameters
    ----------
    cell
        The text of a cell.
    is_key
        Whether the cell names a row: then shapes that case numbers have as well are let through.

    Examples
    --------
    >>> number_that_names("tel 079 555 01 17", is_key=False)
    'a telephone number'
    >>> [number_that_names(case, is_key=True) for case in ("2024/117", "F-2024-0031", "V-0006")]
    [None, None, None]
    """
    text = DATE_IN_IT.sub(" ", cell)
    found = (
        ("a bank account number", any(_is_iban(like) for like in IBAN_LIKE.findall(text))),
        ("a national or insurance number", _is_national(text) or (not is_key and bool(NORDIC.search(text)))),
        ("an address of a machine", bool(MACHINE.search(text))),
        ("a place on the map", bool(PLACE_ON_EARTH.search(text))),
        ("a telephone number", any(is_phone(like) for like in PHONE_LIKE.findall(text))),
    )
    return next((what for what, is_there in found if is_there), None)


def is_phone(text: str) -> bool:
    """Tell a telephone number from a case number.

    Examples
    --------
    >>> [is_phone(text) for text in ("+41 79 555 01 17", "(030) 901820", "415-555-0132", "01-2024-0031", "012-000345")]
    [True, True, True, False, False]
    """
    groups = re.findall(r"[0-9]+", text)
    digits = "".join(groups)
    if text.startswith("+"):
        return 7 <= len(digits) <= 15
    if digits.startswith("00"):
        return digits[2:3] not in ("0", "") and 11 <= len(digits) <= 15
    spoken = any(sign in text for sign in " ()\u00a0")
    if not spoken and any(YEAR.fullmatch(group) for group in groups):
        return False
    lengths = tuple(len(group) for group in groups)
    if digits.startswith("0"):
        return _is_national_phone(groups, digits, spoken=spoken)
    if lengths in ((3, 3, 4), (1, 3, 3, 4)):
        return True
    return spoken and lengths in GROUPS_WITH_BLANKS


def _is_national_phone(groups: list[str], digits: str, *, spoken: bool) -> bool:
    if digits[1] == "0" or not 9 <= len(digits) <= 12:
        return False
    if len(groups) == 1:
        return 10 <= len(digits) <= 11
    return spoken or not (len(groups) == 2 and groups[1].startswith("00"))


def _is_iban(text: str) -> bool:
    code = text.replace(" ", "").upper()
    if not 15 <= len(code) <= 34:
        return False
    number = "".join(str(int(sign, 36)) for sign in code[4:] + code[:4])
    return int(number) % 97 == 1


def _is_national(text: str) -> bool:
    return any(shape.search(text) for shape in NATIONAL) or _is_spanish(text)


def _is_spanish(text: str) -> bool:
    for lead, digits, letter in SPANISH.findall(text):
        if len(lead) + len(digits) == 8:
            number = int((str("XYZ".index(lead)) if lead else "") + digits)
            if SPANISH_LETTERS[number % 23] == letter:
                return True
    return False
