"""The direct identifiers that a delivery must not hold, one row each, and what is done about each of them.

References
----------
45 CFR 164.514(b)(2)(i)(A)-(R), the "safe harbor" list of the United States' Privacy Rule. Read as reprinted in: Johns
Hopkins Medicine, Institutional Review Board, "Definition of De-Identified Data", March 2003; the wording here is ours.
The list is used as a list. We do not claim that what passes is de-identified in the sense of that rule, nor anonymous
in the sense of any law: dates of injury and single climbers' pseudonyms stay in the registry.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

SOURCE: Final = "45 CFR 164.514(b)(2)(i)(A)-(R)"


@dataclass(frozen=True)
class DirectIdentifier:
    """One entry of the list."""

    letter: str
    what: str
    by_name: bool
    """Is a column refused because its name announces it?"""
    by_content: str
    """How a cell is recognised; empty when it cannot be."""
    so: str
    """What follows, and what does not."""


REFUSED: Final = "The file is refused whole."

DIRECT_IDENTIFIERS: Final = (
    DirectIdentifier(
        "A", "Names", True,
        "two words with capitals that are not words of the trade, 'Surname, First', an initial or a title before a "
        "surname",
        f"{REFUSED} A single word cannot be told from a code: pseudonyms must match the site's pattern, and a pattern "
        "that lets names through is refused.",
    ),
    DirectIdentifier(
        "B", "Places smaller than a state: address, town, postcode, coordinates", True,
        "a street with a house number, a postcode with a town, a pair of coordinates",
        f"{REFUSED} The site itself stays: it says where somebody was treated.",
    ),
    DirectIdentifier(
        "C", "Parts of dates other than the year; ages above 89", True,
        "in a year: three numbers, six or eight digits, or the name of a month; in a year of birth also a month",
        f"{REFUSED} Days of injury, examination and contact are kept, because everything is counted in days from them: "
        "this is why the registry is pseudonymised and not anonymous. Ages are printed in bands that end at 45.",
    ),
    DirectIdentifier("D", "Telephone numbers", True, "an international or a national number", REFUSED),
    DirectIdentifier("E", "Fax numbers", True, "as telephone numbers", REFUSED),
    DirectIdentifier("F", "E-mail addresses", True, "an @ between words, with a domain behind it", REFUSED),
    DirectIdentifier(
        "G", "Social security numbers", True,
        "the shapes of the United States, Switzerland, France, Italy, Spain, the United Kingdom and the Nordic "
        "countries",
        f"{REFUSED} Bare runs of digits without a shape of their own cannot be told from case numbers.",
    ),
    DirectIdentifier(
        "H", "Medical record numbers", True, "",
        f"{REFUSED} annulary deidentify replaces them by keyed pseudonyms on the clinic's own machine.",
    ),
    DirectIdentifier("I", "Health plan beneficiary numbers", True, "as social security numbers", REFUSED),
    DirectIdentifier("J", "Account numbers", True, "an IBAN with right check digits", REFUSED),
    DirectIdentifier("K", "Certificate and licence numbers", True, "", REFUSED),
    DirectIdentifier("L", "Vehicle identifiers, licence plates", True, "", REFUSED),
    DirectIdentifier("M", "Device identifiers, serial numbers", True, "", REFUSED),
    DirectIdentifier("N", "Web addresses", True, "http://, www. or a name with a country's ending", REFUSED),
    DirectIdentifier("O", "Internet addresses of machines", True, "four numbers up to 255 with points", REFUSED),
    DirectIdentifier("P", "Fingerprints, voice prints and the like", True, "", f"{REFUSED} No field takes them."),
    DirectIdentifier("Q", "Photographs of the face and the like", True, "", f"{REFUSED} No field takes them."),
    DirectIdentifier(
        "R", "Any other unique number, characteristic or code", True,
        "free text: more words in a cell than its field takes",
        f"{REFUSED} Pseudonyms and case numbers are codes of this kind; they stay, and only the site can resolve them. "
        "Rare combinations of harmless columns identify too: annulary alike counts them.",
    ),
)  # fmt: skip
"""In the order of the list."""


def printed_identifiers() -> str:
    """Return the list as Markdown, for the printed dictionary."""
    lines = [
        "# Direct identifiers",
        "",
        f"The list is that of {SOURCE}. What passes is pseudonymised, not anonymous.",
        "",
        "| | Identifier | Recognised in a cell by | What is done |",
        "|---|---|---|---|",
    ]
    lines += [
        f"| {one.letter} | {one.what} | {one.by_content or 'the name of its column only'} | {one.so} |"
        for one in DIRECT_IDENTIFIERS
    ]
    return "\n".join(lines) + "\n"
