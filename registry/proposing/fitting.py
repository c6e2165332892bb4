"""Whether a column's cells are what a field takes, and what they prove whatever the header says."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial

from registry.dictionary import TABLES
from registry.proposing.contents import KEY, NUMBER, YEAR, Profile, key_pattern, numbers
from registry.proposing.listing import SEPARATORS, list_shape
from registry.proposing.vocabulary import FIELDS_OF_LIST, code_words, spellings, words_beside
from registry.proposing.wording import known_share

NEUTRAL = 0.75
"""The fit of a column without a filled cell: it contradicts nothing and proves nothing."""
MISFIT = 0.5
"""Share of fitting cells below which the content speaks against the header."""
CODE_PROOF, LIST_PROOF, PAIR_PROOF = 0.9, 0.95, 0.35
"""What cells prove by themselves when they are words of one of our lists only, or name structures; two unknown
abbreviations are no proof, but a reason to ask whether they are the hands."""
YEAR_PROOF, KEY_PROOF = 0.5, 0.5
"""Years may be of birth, of the first climb, of anything; keys that come back may be of climbers or of gyms: enough to
ask, never enough by themselves."""
PARTLY_KNOWN = 0.6
"""Share of known words that makes a column of grips or mechanisms a full fit: people describe them in words of their
own, which are asked about one by one."""
SHARED_WORDS = frozenset({"side", "dominant_hand", "pop_heard", "prior_same_site", "joint", "activity"})
"""Lists whose words other columns use too, so that they prove nothing."""

Fit = tuple[float, float]
"""(Share of cells that the field could take, what the cells prove by themselves), both 0 to 1."""


def fit_of(target: str, content: Profile) -> Fit:
    """Return how well a column's cells fit a target, and what they prove by themselves.

    Examples
    --------
    >>> from registry.proposing.contents import profile
    >>> fit_of("onset", profile(["2024-01-31", "2024-02-30", "later", "2024-03-01"]))
    (0.75, 0.0)
    """
    if not content.n_filled:
        return NEUTRAL, 0.0
    return FITS.get(target, partial(_code_fit, target))(content)


def _date_fit(content: Profile) -> Fit:
    return content.dates, 0.0


def _year_fit(content: Profile) -> Fit:
    return content.share(YEAR), 0.0


def _birth_year_fit(content: Profile) -> Fit:
    years = content.share(YEAR)
    return years, YEAR_PROOF * years


def _key_fit(content: Profile) -> Fit:
    return max(key_pattern(content)[1], content.share(KEY)), 0.0


def _squad_fit(content: Profile) -> Fit:
    return (_key_fit(content)[0] if content.distinct < 1.0 else 0.0), 0.0


def _athlete_fit(content: Profile) -> Fit:
    comes_back = content.distinct < 1.0 and content.share(YEAR) < MISFIT
    return _key_fit(content)[0], KEY_PROOF * key_pattern(content)[1] * comes_back


def _case_fit(content: Profile) -> Fit:
    keys = max(0.0, content.share(re.compile(r"[^@\s]{1,20}")) - content.dates)
    return keys * min(1.0, content.distinct / 0.9), 0.0


def _private_fit(content: Profile) -> Fit:
    keyed = content.distinct < 1.0 and content.share(KEY) > MISFIT
    return 0.0 if keyed or content.share(re.compile(".{1,3}")) > MISFIT else 1.0, 0.0


def _number_fit(table: str, name: str, content: Profile) -> Fit:
    field = TABLES[table][name]
    listed = numbers(content)
    low, high = field.low or 0, field.high or float("inf")
    inside = sum(low <= value <= high for value in listed)
    return content.share(NUMBER) * inside / max(len(listed), 1), 0.0


def _structures_fit(content: Profile) -> Fit:
    shape = list_shape(content)
    return (shape.share, LIST_PROOF * shape.share) if shape else (0.0, 0.0)


def _extents_fit(content: Profile) -> Fit:
    between = "[" + re.escape("".join(SEPARATORS)) + "]"
    known = {**code_words("extent"), **words_beside("extent")[1]}
    share = content.share_of(
        text
        for text in content.counts
        if all(_is_known(part, known) for part in re.split(between, text) if part.strip())
    )
    return share, _proof(share, content)


def _mechanism_fit(content: Profile) -> Fit:
    said = {**code_words("activity"), **code_words("mechanism")}
    known = content.share_of(text for text in content.counts if _is_known(text, said))
    return min(1.0, known / PARTLY_KNOWN), _proof(known, content)


def _grip_fit(content: Profile) -> Fit:
    known = known_share("grip", content)
    return min(1.0, known / PARTLY_KNOWN), _proof(known, content)


def _digit_fit(content: Profile) -> Fit:
    known = known_share("digit", content)
    return max(content.share(re.compile("[1-5]")), known), _proof(known, content)


def _side_fit(content: Profile) -> Fit:
    known = known_share("side", content)
    return known, 0.0 if known or not _is_a_pair(content) else PAIR_PROOF


def _code_fit(target: str, content: Profile) -> Fit:
    known = known_share(target, content)
    proves = target in FIELDS_OF_LIST and target not in SHARED_WORDS
    return known, _proof(known, content) if proves else 0.0


FITS: dict[str, Callable[[Profile], Fit]] = {
    **dict.fromkeys(
        (
            *("onset", "first_seen", "recorded", "off_from", "ultrasound_on", "mri_on", "radiograph_on"),
            *("full_from", "last_contact", "seen"),
        ),
        _date_fit,
    ),
    "birth_year": _birth_year_fit,
    "climbing_since": _year_fit,
    "athlete": _athlete_fit,
    "squad": _squad_fit,
    "case": _case_fit,
    "identity": _private_fit,
    "patient_number": _private_fit,
    "birth_date": _date_fit,
    "age_at_onset": partial(_number_fit, "cases", "age_at_onset"),
    "uiaa_score": partial(_number_fit, "cases", "uiaa_score"),
    "gap_mm": partial(_number_fit, "findings", "gap_mm"),
    "height_cm": partial(_number_fit, "athletes", "height_cm"),
    "body_mass_kg": partial(_number_fit, "athletes", "body_mass_kg"),
    "pain_rest": partial(_number_fit, "follow_ups", "pain_rest"),
    "pain_load": partial(_number_fit, "follow_ups", "pain_load"),
    "structures": _structures_fit,
    "extents": _extents_fit,
    "mechanism": _mechanism_fit,
    "grip": _grip_fit,
    "digit": _digit_fit,
    "side": _side_fit,
}
"""How each target's cells are judged; targets that are not here are lists of codes."""


def _is_known(text: str, words: dict[str, str]) -> bool:
    return any(spelling in words for spelling in spellings(text))


def _is_a_pair(content: Profile) -> bool:
    again = [text for text, n in content.counts.items() if n > 1]
    return len(again) == 2 and all(len(text) <= 3 and text.isalpha() for text in again)


def _proof(share: float, content: Profile) -> float:
    """Return what known words prove: nothing unless two of them come back."""
    again = [text for text, n in content.counts.items() if n > 1]
    return CODE_PROOF * share if len(again) >= 2 else 0.0
