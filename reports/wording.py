"""How codes and columns are said to people."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping
from typing import Any

NOT_RECORDED = "not recorded"
NO_VALUE = "–"
TOO_FEW = "too few to tell"
ALL_BACK = "all back"

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
    "common_exact": "common ratio, exact limits",
    "mcnemar_exact": "McNemar, exact",
    "conditional_logistic": "conditional logistic regression",
    "logistic": "logistic regression",
    "firth": "Firth's penalised regression",
    "missing_as_level": "kept, as a level of their own",
    "complete_case": "left out (complete cases only)",
    "multiple_imputation": "filled in (multiple imputation)",
    "uiaa_score": "UIAA score",
    "e_value": "E-value",
    "e_value_limit": "E-value of the limit",
    "hand_is_dominant": "dominant hand hurt",
    "cochran_armitage": "Cochran-Armitage, trend",
    "departure_from_trend": "departure from the trend",
    "linear_by_linear": "linear-by-linear, trend",
    "rao_scott": "Rao-Scott, by climber",
    "permutation_by_climber": "permutation, by climber",
    "permutation_by_case": "permutation, by case",
    "trend_by_climber": "trend, by climber",
    "sign_test": "sign test, exact",
    "cramers_v_corrected": "Cramér's V, corrected for bias",
    "fisher_exact": "Fisher, exact",
    "fisher_monte_carlo": "Fisher, Monte-Carlo p",
    "woolf_homogeneity": "Woolf, homogeneity",
    "woolf_homogeneity_haldane": "Woolf, homogeneity, a half added",
    "generalised_cochran_mantel_haenszel": "Cochran-Mantel-Haenszel, all levels",
    "likelihood_ratio": "likelihood ratio",
    "score": "score",
    "wald": "Wald",
    "wald_robust": "Wald, limits that respect repeaters",
    "mcnemar": "McNemar",
    "mcnemar_corrected": "McNemar, corrected for continuity",
    "mcnemar_mid_p": "McNemar, mid-P",
    "cohen_kappa": "Cohen's kappa",
    "weighted_kappa": "weighted kappa",
    "fleiss_kappa": "Fleiss' kappa",
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

FLAG = "has_"
"""Columns that begin so say whether a structure is hurt: 1 or 0."""
FLAGS = {"1": "yes", "0": "no"}
RUPTURES = ("partial", "complete")
"""Extents that are said as ruptures of their structure."""
UNGRADED = ("pulley_grade", "grade_recorded", "tier")
"""Columns of grades, which injuries of other structures do not have."""

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
    (r"\b1 of (\d+) climbers appear\b", r"1 of \1 climbers appears"),
    (r"\b1 of (\d+) clusters by '(\w+)' hold\b", r"1 of \1 clusters by '\2' holds"),
    (r"\b(grip|mechanism): (not applicable|not_applicable)\b", r"\1: not applicable, as at a gradual onset"),
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
    found = FLAGS.get(code) if column.startswith(FLAG) else None
    if column in ("tier", "group", "strata", ""):
        found = _tier_labels().get(code)
    if code.startswith(FLAG) and code.removeprefix(FLAG) in _structures():
        found = f"{label(code.removeprefix(FLAG))} hurt"
    return found or SPOKEN_IN.get((column, code)) or SPOKEN.get(code, code.replace("_", " "))


def _structures() -> tuple[str, ...]:
    from registry.dictionary import TABLES

    return TABLES["findings"]["structure"].words


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
    if name.startswith(FLAG):
        return label(name)
    for table in ("cases", "findings", "athletes", "sites", "exposure"):
        if name in TABLES[table].names:
            return TABLES[table][name].label
    return name.replace("_", " ").capitalize()


def column_words(name: str) -> str:
    """Say a column's name inside a sentence.

    Examples
    --------
    >>> column_words("digit"), column_words("uiaa_score"), column_words("has_a2")
    ('finger', 'UIAA score', 'A2 pulley hurt')
    """
    words = column_label(name)
    return words if words[1:2].isupper() or words[1:2].isdigit() else words[:1].lower() + words[1:]


def outcome_words(outcome: str) -> str:
    """Say the outcome of a comparison: ``COLUMN=VALUE,VALUE``, several joined with '+', or a column's name.

    Examples
    --------
    >>> outcome_words("pulley_grade=III,IV"), outcome_words("injured")
    ('pulley grade III or IV', 'injury')
    >>> outcome_words("main_structure=a2+main_extent=complete"), outcome_words("has_a2=1")
    ('complete rupture (A2 pulley)', 'A2 pulley hurt')
    >>> outcome_words("main_extent=complete")
    'complete rupture'
    """
    from analysis.outcomes import read_outcome
    from registry.errors import OptionError

    if "=" not in outcome:
        return "injury" if outcome == "injured" else outcome.replace("_", " ")
    try:
        read = read_outcome(outcome)
    except OptionError:  # a column of a notebook's frame whose own name holds the sign
        return outcome.replace("_", " ")
    values = {part.column: part.values for part in read.parts}
    structure, extent = values.get("main_structure"), values.get("main_extent")
    said = []
    if structure and extent and set(extent) <= set(RUPTURES):
        said.append(f"{' or '.join(extent)} rupture ({' or '.join(label(each) for each in structure)})")
        values = {name: each for name, each in values.items() if name not in ("main_structure", "main_extent")}
    return " and ".join([*said, *(_condition_words(name, each) for name, each in values.items())])


def _condition_words(column: str, values: tuple[str, ...]) -> str:
    said = " or ".join(label(value, column=column) for value in values)
    if column == "main_extent" and set(values) <= set(RUPTURES):
        return f"{said} rupture"
    if said in ("yes", "true"):
        return column_words(column)
    return f"{column_words(column)}{':' if said in ('no', 'false') else ''} {said}"


def with_outcome_said(sentence: str, outcome: str) -> str:
    """Say the outcome in a sentence of an analysis, where it stands as it was written.

    Examples
    --------
    >>> with_outcome_said("316 pulley_grade=III,IV: not known", "pulley_grade=III,IV")
    '316 pulley grade III or IV: not gradable or not known'
    >>> with_outcome_said("Odds ratios of injured by grip.", "injured")
    'Odds ratios of injury by grip.'
    """
    words = outcome_words(outcome)
    if outcome == "injured":
        return re.sub(r"(\bof |')injured\b", lambda match: match[1] + words, sentence)
    if "=" not in outcome:
        return sentence
    if outcome.partition("=")[0] in UNGRADED:
        sentence = sentence.replace(f"{outcome}: not known", f"{outcome}: not gradable or not known")
    return sentence.replace(outcome, words)


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
