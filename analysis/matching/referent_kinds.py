"""Kinds of referents: what was sampled and how, which design it serves, and what such a referent can have."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import narwhals.stable.v2 as nw

from registry.errors import DataError, InputError, OptionError, suggestion

OF_THE_UNIT: Final[dict[str, tuple[str, ...]]] = {
    "climber": (),
    "session": ("activity", "discipline", "setting", "context"),
    "move": ("grip", "mechanism", "activity", "discipline", "setting", "context"),
}
"""What a referent of each unit can have. A session has no one grip and no one event; a climber nothing of a moment."""
OF_THE_PERSON: Final = ("sex", "age_band", "level", "dominant_hand")
"""What cases and referents of every unit have from their climber, where the referent names one."""
OF_THE_RECORD: Final = ("site", "season")
SAMPLINGS: Final[dict[str, tuple[str, ...]]] = {
    "case_control": ("unmatched", "density"),
    "matched": ("matched", "density", "own_earlier"),
}
"""How the referents of each design may have been drawn."""


def kind_of_referents(
    referents: nw.LazyFrame[Any], design: str, unit: str | None, sampling: str | None
) -> tuple[str, str]:
    """Find the one unit and the one sampling of a design's referents.

    Parameters
    ----------
    referents
        Rows with unit and sampling.
    design
        case_control or matched.
    unit, sampling
        As a caller gives them; None to take what there is.

    Raises
    ------
    OptionError
        When a word does not exist.
    DataError
        When there are no such referents.
    InputError
        When there are several kinds and none was chosen.
    """
    if unit is not None and unit not in OF_THE_UNIT:
        raise OptionError(f"unit is '{unit}'; it is one of {', '.join(OF_THE_UNIT)}.{suggestion(unit, OF_THE_UNIT)}")
    allowed = SAMPLINGS[design]
    if sampling is not None and sampling not in allowed:
        raise OptionError(
            f"sampling is '{sampling}'; for design '{design}' it is one of {', '.join(allowed)}."
            f"{suggestion(sampling, allowed)}"
        )
    tally = referents.group_by("unit", "sampling").agg(n=nw.len()).sort("unit", "sampling").collect().to_pandas()
    held = "; ".join(f"{row.n} of unit {row.unit}, {row.sampling}" for row in tally.itertuples()) or "none"
    fits = tally[tally["sampling"].isin([sampling] if sampling else allowed)]
    fits = fits[fits["unit"] == unit] if unit else fits
    if not len(fits):
        raise DataError(
            f"there are no referents for design '{design}'{f' of unit {unit!r}' if unit else ''} (sampling "
            f"{sampling or ', '.join(allowed)}); recorded: {held}."
        )
    for name, option in (("unit", unit), ("sampling", sampling)):
        found = sorted(set(fits[name]))
        if len(found) > 1 and option is None:
            raise InputError(
                f"referents of {len(found)} kinds ({name} {', '.join(found)}) would be mixed, which no ratio can mean; "
                f"choose one with {name}=. Recorded: {held}."
            )
    return str(fits["unit"].iloc[0]), str(fits["sampling"].iloc[0])


def check_exposures(exposures: Sequence[str], *, unit: str, sampling: str) -> None:
    """Refuse what such referents cannot have.

    Parameters
    ----------
    exposures
        Columns to compare by.
    unit, sampling
        What the referents are, and how they were drawn.

    Raises
    ------
    OptionError
        When a referent cannot have an exposure, or it does not pass.
    InputError, DataError
        When there is no exposure, or climbers are given as their own earlier selves.
    """
    own = sampling == "own_earlier"
    if not exposures:
        raise InputError("exposures is empty; name at least one column to compare cases and referents by.")
    if own and unit == "climber":
        raise DataError(
            "referents of unit 'climber' cannot be own_earlier: a climber is no earlier self; see the rows."
        )
    can = [*OF_THE_UNIT[unit], *(() if own else (*OF_THE_PERSON, *OF_THE_RECORD))]
    for name in exposures:
        if name in can:
            continue
        listed = ", ".join(can)
        if name in OF_THE_UNIT["move"]:
            units = [unit for unit, names in OF_THE_UNIT.items() if name in names]
            raise OptionError(
                f"a referent that is a {unit} cannot have '{name}'; compare by {listed}, or use referents of "
                f"unit {' or '.join(units)}."
            )
        if own and name in (*OF_THE_PERSON, *OF_THE_RECORD, "minor"):
            raise OptionError(
                f"'{name}' does not pass: it is the same in all sessions of a climber, so that own earlier ones say "
                f"nothing about it; compare by {listed}."
            )
        raise OptionError(
            f"referents have no '{name}'; cases and referents (unit {unit}) can be compared by {listed}."
            f"{suggestion(name, can)}"
        )
