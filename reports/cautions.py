"""What must stand beside every outcome that leaves the registry.

The sentences follow the project's list of safety cautions. Those that rest on a paper name it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

PICTURE_MARK = "INTERNAL - group figures; not for diagnosing, treating or clearing a person"
"""Stands under every picture that is saved alone."""
Topic = Literal["always", "distribution", "ratio", "comparison", "return", "rate", "urgent", "minors", "cells"]


@dataclass(frozen=True)
class CautionText:
    """A caution: its stable code, what it is about, and its sentence."""

    code: str
    topic: Topic
    sentence: str


CAUTIONS = (
    CautionText(
        "group_figures",
        "always",
        "These are figures of a group. They are not for diagnosis or treatment, nor for clearing a person to climb.",
    ),
    CautionText(
        "care_seekers",
        "always",
        "The registry holds those who came to be seen. In one survey only about 1 in 5 climbers with a "
        "finger "
        "injury sought care (Grønhaug 2019, BMJ Open Sport Exerc Med 5:e000513), so the distribution over "
        "fingers and structures is not the risk in the climbing population.",
    ),
    CautionText(
        "within_cases",
        "ratio",
        "Odds ratios within cases compare the injured with each other. They show which features go together, "
        "not what raises the risk of injury.",
    ),
    CautionText(
        "sampled_referents",
        "comparison",
        "Odds ratios of cases against referents hold for the way in which the referents were chosen. Whatever else "
        "differs between the two and was not recorded can make such a ratio, or hide one.",
    ),
    CautionText(
        "past_courses",
        "return",
        "Times to return describe past cases and predict no single one. Severity grades, and the times "
        "that go "
        "with them, differ between sources.",
    ),
    CautionText(
        "rates_differ",
        "rate",
        "A rate holds for the case definition, the way of finding cases and the way of measuring "
        "climbing time "
        "printed beside it. It must not be ranked against studies that define them otherwise.",
    ),
    CautionText(
        "urgent_care",
        "urgent",
        "Seek care at once for: an open wound over a joint or tendon; a cold, pale or numb finger; visible "
        "deformity or dislocation; a joint that cannot actively be bent or straightened; a loud pop with "
        "visible bowstringing or several tender pulleys; spreading redness, fever, or a swollen, bent finger "
        "that hurts when passively straightened; pain after a fall that suggests a fracture "
        "(general medical knowledge, from memory).",
    ),
    CautionText(
        "under_18",
        "minors",
        "Under 18: pain in a finger joint, above all at the back of the PIP joint, needs prompt medical "
        "review "
        "and imaging; stop loading the finger until it has been seen.",
    ),
    CautionText(
        "small_cells",
        "cells",
        "This page is internal: small numbers are shown as they are. A rare combination (elite level, "
        "competition, a date) can identify a person. Do not pass it on; small cells must be suppressed "
        "before "
        "anything is published.",
    ),
)
"""Everything that a page prints."""


def cautions_for(*topics: Topic) -> tuple[CautionText, ...]:
    """Return the cautions that always hold, and those of the topics, in their fixed order.

    Examples
    --------
    >>> [caution.code for caution in cautions_for("ratio")]
    ['group_figures', 'care_seekers', 'within_cases']
    """
    return tuple(caution for caution in CAUTIONS if caution.topic in ("always", *topics))
