"""Why a row is held or warned about: a stable code, a sentence, and the mend. Nothing here repeats a cell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from registry.dictionary.model import Field

Severity = Literal["hold", "warn"]


@dataclass(frozen=True)
class Reason:
    """What is wrong, in words for the person who can mend it."""

    code: str
    sentence: str
    mend: str
    severity: Severity = "hold"
    acceptable: bool = False
    """May a person who has looked take the row in as it is (``held --accept ID --because TEXT``)?"""


REASONS: dict[str, Reason] = {
    reason.code: reason
    for reason in (
        Reason(
            "cell_count",
            "the row has more or fewer cells than the header",
            "bring the cells back under their columns",
        ),
        Reason("line_break", "a cell holds a line break", "write the cell on one line"),
        Reason("cell_too_long", "a cell is far too long", "shorten it to the code, date or number that is asked"),
        Reason(
            "not_utf8",
            "the row holds bytes that are no text in the file's encoding (UTF-8, unless the site's map says another)",
            "save the file as 'CSV UTF-8', or name its encoding in the map",
        ),
        Reason(
            "error_cell",
            "a cell holds a spreadsheet's error, or a formula without a value",
            "type the value itself",
        ),
        Reason("merged_cells", "a cell is merged with others", "undo the merging and fill each cell"),
        Reason("required", "the cell is empty but the field is required", "fill it in"),
        Reason("unknown_code", "not one of the codes", "use one of: {codes}"),
        Reason("not_an_integer", "not a whole number", "write digits only, for example 12"),
        Reason("not_a_number", "not a number", "write digits, with a point for decimals, for example 2.5"),
        Reason("decimal_comma", "a decimal comma", "write a point instead of the comma"),
        Reason("not_a_date", "not a date written as year-month-day", "write it as 2024-05-31"),
        Reason("impossible_date", "a day that the calendar does not have", "check the day and the month"),
        Reason("date_out_of_range", "a date before 1950 or after the day of the delivery", "check the year"),
        Reason("not_a_year", "not a year of four digits", "write it as 1998"),
        Reason("out_of_range", "outside the possible range {low} to {high}{unit}", "check the value and its unit"),
        Reason(
            "too_long",
            "too long for this field ({max_length} characters at most); free text is not taken",
            "write the short code only",
        ),
        Reason("bad_list", "not a list of structures with extents", "write it as a2:complete; a3:partial"),
        Reason("one_needed", "neither this field nor its alternative is filled", "fill one of: {columns}"),
        Reason("only_one", "this field and its alternative are both filled", "keep only one of: {columns}"),
        Reason("wrong_order", "{later} lies before {earlier}", "check both"),
        Reason(
            "too_many_hours",
            "more than 16 hours a day for each climber",
            "check the minutes, the dates and the number of climbers",
            acceptable=True,
        ),
        Reason(
            "key_conflict",
            "the same key stands in another row with different content",
            "keep the right row, or give the other its own key",
        ),
        Reason(
            "children_contradict",
            "the registry holds findings or contacts of this case that contradict the new value",
            "check the value, or deliver those rows corrected together with the case",
        ),
        Reason(
            "climber_differs",
            "the same climber stands in another row, or in the registry, with another value",
            "check which value is right and whether it is the same climber; correct the other row, or deliver the "
            "climber's right row as athletes.csv",
        ),
        Reason(
            "unknown_parent",
            "no {parent} row with this key has been delivered",
            "deliver the {parent} row, or correct the key",
        ),
        Reason(
            "parent_held",
            "the {parent} row with this key is held",
            "mend that row; this one follows by itself",
        ),
        Reason("other_site", "the row names another site than the delivery", "deliver it under its own site"),
        Reason(
            "pattern_too_wide",
            "the pattern lets names or e-mail addresses through",
            "narrow it to the shape of your pseudonyms, for example [A-Z]{{2}}[0-9]{{5}}",
        ),
        Reason(
            "pattern_of_nobody",
            "none of the site's known climbers has a pseudonym of this pattern, so it would keep all of them out",
            "check the pattern; if the pseudonyms were made anew, withdraw the old ones first",
        ),
        Reason("bad_pattern", "not a regular expression", "write it like [A-Z]{{2}}[0-9]{{5}}"),
        Reason(
            "contact_before_onset",
            "the contact lies before the onset of the case",
            "check the contact's day and the onset",
        ),
        Reason(
            "status_before_onset",
            "the status holds since a day before the onset of the case",
            "check that day and the onset",
        ),
        Reason("impossible_structure", "this finger has no such structure", "check the finger and the structure"),
        Reason("impossible_joint", "this finger has no such joint", "check the finger and the joint"),
        Reason(
            "growth_plate_age",
            "an open growth plate is not possible at this age",
            "check the structure and the age",
        ),
        Reason(
            "guardian_consent",
            "a climber under 18 is watched without a guardian's consent",
            "fill in guardian_consent when it has been given",
        ),
        Reason(
            "unknown_word",
            "a word that the site's map does not know",
            "correct the word, or let the map say what it means{words}",
        ),
        Reason(
            "lists_differ",
            "the lists that belong together in this row have different lengths",
            "write one extent for each structure, in the same order",
        ),
        Reason("extent_missing", "a structure of the list has no extent", "write its extent beside it"),
        Reason(
            "listed_twice",
            "the list names one structure twice, with different extents",
            "keep the entry that is right",
        ),
        Reason(
            "no_such_ray",
            "no finger has this number",
            "write 1 for the thumb, 2 index, 3 middle, 4 ring, 5 little finger",
        ),
        Reason(
            "lost_zeros",
            "the number seems to have lost its leading zeros: the same number is known with them",
            "write the number with its zeros, and let the spreadsheet keep the column as text",
            acceptable=True,
        ),
        Reason(
            "likely_duplicate",
            "another case of the same climber, hand and finger began within 14 days of this one, with the same "
            "structure or with none recorded: it may be the same injury written down twice",
            "leave this row out if it is the same injury; if it is another one, fill confirmed_distinct with yes",
            acceptable=True,
        ),
        Reason(
            "overlapping_exposure",
            "another row of the same climber or squad, in the same discipline, setting and context, covers some of "
            "the same days",
            "let each day stand in one row only: correct the dates, or leave the row out that says the same again",
        ),
        Reason(
            "diary_and_squad",
            "the time of this climber is noted twice, in an own diary and in the rows of the squad",
            "keep one of the two for these days, or correct the climber's squad in athletes",
        ),
        Reason(
            "retracted",
            "the site has taken this row back",
            "leave it out of the next deliveries; if it was right after all, accept it",
            acceptable=True,
        ),
        Reason(
            "withdrawn",
            "this climber has withdrawn the consent; nothing of the climber is taken in any more",
            "leave the climber's rows out of the next deliveries",
        ),
        Reason("unusual", "above {warn_above}{unit}: possible, but unusual", "check it", "warn"),
        Reason(
            "too_many_hours_together",
            "this row and others together make more than 16 hours a day for each climber",
            "check the minutes and the dates of the rows that cover these days",
            "warn",
        ),
        Reason(
            "status_backwards",
            "the status is further from full climbing at a later contact of the case",
            "check the status and the days of the contacts; leave it if the finger became worse again",
            "warn",
        ),
        Reason(
            "outside_observation",
            "the onset lies outside the time in which the climber was watched: the case does not count in rates",
            "deliver the observation of that time, if there was any",
            "warn",
        ),
        Reason(
            "outside_exposure",
            "the climber was watched on the day of onset, but no climbing time was delivered for it: the case does "
            "not count in rates",
            "deliver the exposure of that time",
            "warn",
        ),
        Reason("surgery_without_date", "an operation without its day", "fill in the day of the operation", "warn"),
        Reason(
            "grade_iv_single",
            "grade IV is recorded, but only one injured structure: IV stands for several, or for a complete A2 or A3 "
            "with a lumbrical or a ligament",
            "deliver the other structures, or check the grade",
            "warn",
        ),
        Reason(
            "grade_differs",
            "the recorded pulley grade is another one than the findings give",
            "check the grade and the findings; reports use the grade that follows from the findings",
            "warn",
        ),
        Reason(
            "history_differs",
            "the reported history does not fit the earlier cases that the registry holds of this climber",
            "check the history and the earlier cases",
            "warn",
        ),
        Reason(
            "imaging_after_last_contact",
            "the picture was taken after the last contact that is known of the case",
            "check the day, or deliver the contact of that day",
            "warn",
        ),
        Reason(
            "vanished",
            "an earlier delivery of the same period held this row, this one does not; the registry keeps it",
            "deliver it again, or take it back with annulary retract",
            "warn",
        ),
        Reason(
            "not_open",
            "the number of the held row in this mended row belongs to no row that still waits",
            "export the held rows anew and mend those",
            "warn",
        ),
    )
}
"""Reasons by code; the codes are stable, the wording may improve."""


_IN_GENERAL = {
    "earlier": "an earlier date",
    "later": "a date",
    "parent": "matching",
    "low": "",
    "high": "",
    "unit": "",
    "warn_above": "the usual",
    "max_length": "60",
    "codes": "the codes of the field",
    "columns": "the two",
    "words": "",
}


def general_words(reason: Reason) -> tuple[str, str]:
    """Return what is wrong and the mend in general words, without a field or its bounds."""
    said = reason.sentence.format(**_IN_GENERAL)
    return said.replace("outside the possible range  to ", "outside the possible range"), reason.mend.format(
        **_IN_GENERAL
    )


def reason_words(code: str) -> str:
    """Return what is wrong in general words, for tables that count reasons."""
    return general_words(REASONS[code])[0]


MOST_CODES = 14


def _some(words: tuple[str, ...]) -> str:
    """List the codes; of a long list its beginning and where the rest stands."""
    if len(words) <= MOST_CODES:
        return ", ".join(words)
    return ", ".join(words[:8]) + f", ... ({len(words)} codes; all of them: annulary dictionary)"


def _plain(bound: float) -> str:
    return f"{bound:.0f}" if bound == int(bound) else f"{bound:g}"


def sentence(code: str, field: Field | None, *, length: int | None = None, **facts: str) -> str:
    """Word a reason for a field, with the mend; the cell itself is never shown.

    Parameters
    ----------
    length
        How many characters the cell holds; said instead of the cell.
    facts
        What the sentence's other blanks are filled with: columns, earlier, later, parent, and words, those that the
        site's map knows.
    """
    reason = REASONS[code]
    known = {
        "codes": "",
        "max_length": "",
        "low": "",
        "high": "",
        "unit": "",
        "warn_above": "",
        "columns": "",
        "earlier": "another date",
        "later": "this date",
        "parent": "parent",
        "words": "",
        **facts,
    }
    if known["words"]:
        known["words"] = f" (it knows: {known['words']})"
    if field is not None:
        known["codes"] = _some(field.accepted_words)
        known["max_length"] = str(field.max_length)
        known["unit"] = f" {field.unit}" if field.unit else ""
        for name in ("low", "high", "warn_above"):
            bound = getattr(field, name)
            known[name] = "" if bound is None else _plain(bound)
    given = f" ({length} characters given)" if length is not None and code == "unknown_code" else ""
    return f"{reason.sentence.format(**known)}{given}; {reason.mend.format(**known)}"
