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
        Reason("not_utf8", "the row holds bytes that are not UTF-8", "save the file as 'CSV UTF-8'"),
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
            "check which value is right and whether it is the same climber; correct the other or the athletes row",
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
        Reason("unusual", "above {warn_above}{unit}: possible, but unusual", "check it", "warn"),
        Reason(
            "watched_without_time",
            "watched, but outside every observation or exposure period",
            "deliver the observation and exposure of that time, if there was any",
            "warn",
        ),
    )
}
"""Reasons by code; the codes are stable, the wording may improve."""


def reason_words(code: str) -> str:
    """Return what is wrong in general words, without a field or its bounds, for tables that count reasons."""
    known = {"parent": "matching", "low": "", "high": "", "unit": "", "warn_above": "the usual", "max_length": "60"}
    text = REASONS[code].sentence.format(earlier="an earlier date", later="a date", **known)
    return text.replace("outside the possible range  to ", "outside the possible range")


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
        **facts,
    }
    if field is not None:
        known["codes"] = _some(field.accepted_words)
        known["max_length"] = str(field.max_length)
        known["unit"] = f" {field.unit}" if field.unit else ""
        for name in ("low", "high", "warn_above"):
            bound = getattr(field, name)
            known[name] = "" if bound is None else _plain(bound)
    given = f" ({length} characters given)" if length is not None and code == "unknown_code" else ""
    return f"{reason.sentence.format(**known)}{given}; {reason.mend.format(**known)}"
