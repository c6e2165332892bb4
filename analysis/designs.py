"""What an odds ratio means in each design, and what it cannot mean: crude, adjusted, and in matched sets."""

from __future__ import annotations

from typing import Final

CRUDE: Final = {
    "within_cases": "Among injuries only: the odds of {outcome} at one level of {exposure} against those at "
    "{reference}. It is an association between features of injuries, not the risk of being injured.",
    "case_control": "Cases against referents: the odds of {outcome} at one level of {exposure} against those at "
    "{reference}. Where referents were drawn from those at risk whenever a case happened, it estimates a rate "
    "ratio; otherwise it comes near a ratio of risks only where injury is rare.",
}
"""Meaning by design; of outcome, exposure and reference."""

ADJUSTED: Final = {
    "within_cases": (
        "Among injuries only: the odds of {outcome} at one level against those at its reference, between injuries that "
        "are alike in the other terms of the model. It is an association between features of injuries.",
        "It is not the risk of being injured, and not what a change of technique would prevent: climbers without an "
        "injury are not in it, nor is what the model leaves out.",
    ),
    "case_control": (
        "Cases against referents: the odds of {outcome} at one level against those at its reference, between rows that "
        "are alike in the other terms of the model. Where referents were drawn from those at risk whenever a case "
        "happened, it estimates a rate ratio; otherwise it comes near a ratio of risks only where injury is rare.",
        "It is not a risk, it does not say how often injuries happen, and it holds only as far as referents were "
        "chosen without regard to the exposure; what the model leaves out is not adjusted for.",
    ),
}
"""Meaning and what it cannot mean, by design; of the outcome."""

MATCHED_MEANING: Final = (
    "Cases against the referents of their own matched set: the odds of {outcome} at one level of an exposure against "
    "those at its reference, with whatever the members of a set share held equal."
)

MATCHED_CANNOT_MEAN: Final = (
    "It says nothing about what sets were matched on, and it is no risk: how often {outcome} happens cannot be read "
    "from sets that were made around cases."
)
