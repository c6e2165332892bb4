"""How numbers and codes are said. Rounding happens here, once, and nowhere else.

The estimates stay unrounded everywhere else; a number that is shown to a person has passed one of these
functions.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping
from typing import Any

NOT_RECORDED = "not recorded"
NOT_REACHED = "not reached"
NO_VALUE = "–"
NOT_ESTIMABLE = "not estimable"
TOO_FEW = "too few to tell"
ALL_BACK = "all back"
NARROW_SPACE = "\N{NARROW NO-BREAK SPACE}"
SHARE_DECIMALS_FROM = 1000
"""From this denominator on, a share is printed with one decimal; below, a decimal would be false precision.
Common practice, no source."""

SPOKEN = {
    "a1": "A1 pulley",
    "a2": "A2 pulley",
    "a3": "A3 pulley",
    "a4": "A4 pulley",
    "a5": "A5 pulley",
    "c1": "C1 pulley",
    "c2": "C2 pulley",
    "c3": "C3 pulley",
    "fdp_tendon": "FDP tendon",
    "fds_tendon": "FDS tendon",
    "fpl_tendon": "FPL tendon",
    "collateral_radial": "collateral ligament, radial",
    "collateral_ulnar": "collateral ligament, ulnar",
    "thumb_oblique_pulley": "oblique pulley of the thumb",
    "mcp": "MCP joint",
    "pip": "PIP joint",
    "dip": "DIP joint",
    "ip": "IP joint",
    "mri": "MRI",
    "ct": "CT",
    "crps": "CRPS",
    "not_gradable": "not gradable",
    "unknown": "asked, not known",
    "not_applicable": "not applicable",
    "undercling_sidepull": "undercling or sidepull",
    "pocket_one": "one-finger pocket",
    "pocket_two": "two-finger pocket",
    "pocket": "pocket, number of fingers not stated",
    "ice_mixed": "ice and mixed",
    "multi_pitch": "multi-pitch",
    "jam_twist": "jammed and twisted",
    "competitive_regional": "competitive, regional",
    "competitive_national": "competitive, national",
    "competitive_international": "competitive, international",
    "outside_observation": "outside observation",
    "not_observed": "climber not observed",
    "site_without_observation": "site without observation",
    "conditional_exact": "conditional, exact limits",
    "conditional_mid_p": "conditional, mid-P limits",
    "woolf": "sample ratio, Woolf limits",
    "mantel_haenszel": "Mantel-Haenszel",
    "wald_log": "log-Wald limits",
    "pearson": "Pearson chi-square",
    "pearson_monte_carlo": "Pearson chi-square, Monte-Carlo p",
    "g_squared": "G-squared",
    "cramers_v": "Cramér's V",
    "log_rank": "log-rank, all groups",
    "log_rank_pulley": "log-rank, pulley tiers",
    "cochran_mantel_haenszel": "Cochran-Mantel-Haenszel",
    "breslow_day": "Breslow-Day, homogeneity",
    "tarone": "Breslow-Day-Tarone, homogeneity",
}
SPOKEN_IN = {("mechanism", "none"): "no single event (gradual onset)", ("exposure_method", "none"): "no climbing time"}

MILESTONES = {
    "modified": "modified climbing",
    "full": "full climbing",
    "previous_level": "the previous level",
    "modified_sustained": "sustained modified climbing",
    "full_sustained": "sustained full climbing",
    "previous_level_sustained": "sustained climbing at the previous level",
}

PHRASES = (
    (r"\boccurrence(s?)\b(?!\.csv|_)", r"injury event\1"),
    (r"\bOccurrence(s?)\b(?!\.csv|_)", r"Injury event\1"),
    (r"Grouped by minor they stand apart", "Grouped by age they stand apart"),
    (r" \(shown apart\)", ", shown apart"),
    (r"\b([Nn])one of the 1 (\w+?)s can be used \(1: ", r"\1ot one \2 can be used: the single one is left out ("),
    (r"\b([Nn])one of the 1 (\w+?)s was", r"\1ot even the single \2 was"),
    (r"\b([Nn])one of 1 rows has", r"\1ot even the single row has"),
    (r"\b0 injury events have no rate\b", "no injury event is there either"),
    (r"\b1 injury events have\b", "1 injury event has"),
    (r"\b1 injury events are\b", "1 injury event is"),
    (r"\b1 cases (that|never|have|enter)\b", r"1 case \1"),
)
"""Phrases of analyses, and how they are said in print: one case is no plural, and a code is no word."""

COLUMN_LABELS = {
    "tier": "Severity tier",
    "main_structure": "Main structure",
    "main_extent": "Extent",
    "structure_family": "Family of structures",
    "pulley_grade": "Pulley grade",
    "age_band": "Age",
    "minor": "Under 18",
    "season": "Season",
    "site": "Site",
    "squad": "Squad",
    "hand_is_dominant": "Dominant hand hurt",
    "n": "n",
    "of": "of",
    "level": "Level",
}


def milestone(name: str, *, sustained: bool) -> str:
    """Return a milestone in words.

    Examples
    --------
    >>> milestone("full", sustained=True)
    'sustained full climbing'
    """
    key = f"{name}_sustained" if sustained else name
    return MILESTONES.get(key, label(key))


def label(value: Any, *, column: str = "") -> str:
    """Say a code in words; a missing value is "not recorded".

    Parameters
    ----------
    value
        A code (text), a flag, a number, or a missing value (None, NaN).
    column
        The column that holds it, for the few codes whose words depend on it.

    Examples
    --------
    >>> label("a2"), label("full_crimp"), label(None), label("pulley_3", column="tier")
    ('A2 pulley', 'full crimp', 'not recorded', 'Pulley III')
    """
    if is_missing(value):
        return NOT_RECORDED
    if isinstance(value, bool):
        return "yes" if value else "no"
    code = str(value)
    if column in ("tier", "group", "strata", ""):
        tiers = _tier_labels()
        if code in tiers:
            return tiers[code]
    if (column, code) in SPOKEN_IN:
        return SPOKEN_IN[(column, code)]
    return SPOKEN.get(code, code.replace("_", " "))


def _tier_labels() -> dict[str, str]:
    from registry.derive.tiers import TIERS

    return dict(TIERS)


def in_words(sentence: str, *, levels: Mapping[str, str] | None = None, kept: Collection[str] = ()) -> str:
    """Say the codes inside a sentence in words.

    Parameters
    ----------
    sentence
        A note, a method or a message of an analysis.
    levels
        Codes of the groups that the sentence may list, with their words. A code of one plain word ("joint") is
        replaced only where a list or a name stands, because it may be an ordinary word elsewhere.
    kept
        Names that are never rewritten, such as those of sites.

    Examples
    --------
    >>> in_words("pulley_4 (4), first_seen, pulley_grade=III,IV")
    'Pulley IV (4), first seen, pulley grade III or IV'
    >>> in_words("A joint. Few: joint (4), north_hall.", levels={"joint": "Joint capsule"}, kept=["north_hall"])
    'A joint. Few: Joint capsule (4), north_hall.'
    """
    said = sentence
    for phrase, better in PHRASES:
        said = re.sub(phrase, better, said)
    said = re.sub(r"=([\w,]+)", lambda match: " " + match[1].replace(",", " or "), said)
    if levels:
        said = _with_levels(said, {code: words for code, words in levels.items() if code not in kept})
    return re.sub(
        r"\b[a-z0-9]+(?:_[a-z0-9]+)+\b", lambda match: match[0] if match[0] in kept else label(match[0]), said
    )


def _with_levels(sentence: str, levels: Mapping[str, str]) -> str:
    codes = "|".join(re.escape(code) for code in sorted(levels, key=len, reverse=True))
    before, after = r"(: |, |\b[Aa]t |\bgroup |\bbehind |\bagainst |')", r"(?=[,.:;']| \(| day \d| the | and |$)"
    return re.sub(f"{before}({codes}){after}", lambda match: match[1] + levels[match[2]], sentence)


def column_label(name: str) -> str:
    """Say a column's name in words: the dictionary's label where it has one.

    Examples
    --------
    >>> column_label("digit"), column_label("onset_mode"), column_label("conf_low")
    ('Finger', 'Mode of onset', 'Conf low')
    """
    from registry.dictionary import TABLES

    if name in COLUMN_LABELS:
        return COLUMN_LABELS[name]
    for table in ("cases", "findings", "athletes", "sites", "exposure"):
        if name in TABLES[table].names:
            return TABLES[table][name].label
    return name.replace("_", " ").capitalize()


def unit(name: str) -> str:
    """Say what is counted: an occurrence is an injury event in print.

    Examples
    --------
    >>> unit("occurrences"), unit("cases")
    ('injury events', 'cases')
    """
    return "injury events" if name == "occurrences" else name


def sentence_case(words: str) -> str:
    """Raise the first letter and leave the others: names stay names.

    Examples
    --------
    >>> sentence_case("sample ratio, Woolf limits")
    'Sample ratio, Woolf limits'
    """
    return words[:1].upper() + words[1:]


def is_missing(value: Any) -> bool:
    """Tell None, NaN and NaT from a value.

    Examples
    --------
    >>> is_missing(None), is_missing(float("nan")), is_missing(0), is_missing("")
    (True, True, False, False)
    """
    return value is None or type(value).__name__ in ("NAType", "NaTType") or _is_nan(value)


def _is_nan(value: Any) -> bool:
    return isinstance(value, float) and math.isnan(value)


def count(value: float) -> str:
    """Show a count in groups of three digits.

    Examples
    --------
    >>> count(12), count(12345).replace(NARROW_SPACE, " ")
    ('12', '12 345')
    """
    return f"{round(value):,}".replace(",", NARROW_SPACE)


def percent(share: float, *, of: float) -> str:
    """Show a share of ``of`` things in percent; never 0 % or 100 % when it is neither.

    Examples
    --------
    >>> percent(0.25, of=12), percent(0.12345, of=5000), percent(0.004, of=300), percent(1.0, of=3)
    ('25 %', '12.3 %', '<1 %', '100 %')
    """
    if is_missing(share):
        return NOT_ESTIMABLE
    decimals = 1 if of >= SHARE_DECIMALS_FROM else 0
    step = 10.0**-decimals
    if 0 < share * 100 < step / 2:
        return f"<{step:g} %"
    if 100 - step / 2 < share * 100 < 100:
        return f">{100 - step:g} %"
    return f"{share * 100:.{decimals}f} %"


def decimals_for(value: float, *, digits: int = 2) -> int:
    """Return how many decimals show ``digits`` significant digits of the value.

    Examples
    --------
    >>> decimals_for(0.0209), decimals_for(4.44), decimals_for(137.0)
    (3, 1, 0)
    """
    if is_missing(value) or value == 0 or math.isinf(value):
        return 0
    return max(0, digits - 1 - math.floor(math.log10(abs(value))))


def rate(value: float, *, decimals: int | None = None) -> str:
    """Show a rate with two significant digits, or with the decimals of the estimate it belongs to.

    Examples
    --------
    >>> rate(0.0209), rate(13.04), rate(0), rate(0.0141, decimals=3)
    ('0.021', '13', '0', '0.014')
    """
    if is_missing(value):
        return NOT_ESTIMABLE
    if value == 0:
        return "0"
    if math.isinf(value):
        return "∞"
    return f"{value:.{decimals_for(value) if decimals is None else decimals}f}"


def ratio(value: float) -> str:
    """Show a ratio: two decimals below 10, one below 100, none above; infinite and huge ones in words.

    Examples
    --------
    >>> ratio(2.014), ratio(42.76), ratio(float("inf")), ratio(4321.0), ratio(0.004)
    ('2.01', '42.8', '∞', '>1000', '<0.01')
    """
    if is_missing(value):
        return NOT_ESTIMABLE
    if math.isinf(value):
        return "∞"
    if value == 0:
        return "0"
    if value > 1000:
        return ">1000"
    if 0 < value < 0.005:
        return "<0.01"
    return f"{value:.2f}" if value < 9.995 else f"{value:.1f}" if value < 99.95 else f"{value:.0f}"


def days(value: float) -> str:
    """Show a number of days; a quantile that the curve does not reach is said to be so.

    Examples
    --------
    >>> days(41.6), days(float("nan"))
    ('42', 'not reached')
    """
    if is_missing(value) or math.isinf(value):
        return NOT_REACHED
    return count(value)


def p_value(value: float) -> str:
    """Show a p-value with two significant digits, not beyond the third decimal.

    Examples
    --------
    >>> p_value(0.0053), p_value(0.032), p_value(0.00002), p_value(0.51), p_value(0.9999)
    ('0.005', '0.032', '<0.001', '0.51', '>0.99')
    """
    if is_missing(value):
        return NOT_ESTIMABLE
    if value < 0.001:
        return "<0.001"
    if value > 0.99:
        return ">0.99"
    return f"{value:.3f}" if value < 0.0995 else f"{value:.2f}"


def hours(minutes: float) -> str:
    """Show minutes as hours: whole ones, or one decimal below ten.

    Examples
    --------
    >>> hours(90), hours(6030)
    ('1.5', '100')
    """
    value = minutes / 60
    return f"{value:.1f}" if 0 < value < 10 else count(value)


def limits(low: str, high: str) -> str:
    """Join two limits.

    Examples
    --------
    >>> limits("1.10", "42.8")
    '1.10 to 42.8'
    """
    return f"{low} to {high}"


def months(day: int) -> str:
    """Say a horizon: weeks up to 8 weeks, months from then on.

    Examples
    --------
    >>> months(42), months(91), months(365), months(0)
    ('6 weeks', '3 months', '12 months', 'onset')
    """
    if day == 0:
        return "onset"
    if day <= 56 and day % 7 == 0:
        return f"{day // 7} weeks"
    return f"{round(day / 30.4)} months"
