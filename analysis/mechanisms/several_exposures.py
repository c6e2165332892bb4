"""What several exposures share: p-values of one family, and the E-values of their ratios."""

from __future__ import annotations

from typing import Final

import pandas as pd

from analysis.mechanisms.e_value import e_value
from analysis.multiplicity import adjust_p

RARE_UNITS: Final = ("session", "move")
"""Referents of which hardly any is an injury: an odds ratio then is a ratio of risks."""


def with_family(table: pd.DataFrame) -> pd.DataFrame:
    """Adjust the p-values of the ratios of several exposures.

    Parameters
    ----------
    table
        Rows of ``OddsRatios``; the rows of one method, over all exposures and levels, are one family. Products of two
        exposures (exposure 'a:b') are no members.

    Returns
    -------
    The rows with p_holm and p_benjamini_hochberg; as they came where there is one exposure only.
    """
    members = ~table["exposure"].str.contains(":", regex=False)
    if table.loc[members, "exposure"].nunique() < 2:
        return table
    table = table.copy()
    for name in table.loc[members, "method"].unique():
        family = members & (table["method"] == name)
        values = table.loc[family, "p_value"]
        table.loc[family, "p_holm"] = adjust_p(values, method="holm")
        table.loc[family, "p_benjamini_hochberg"] = adjust_p(values, method="benjamini_hochberg")
    return table


def with_e_values(table: pd.DataFrame, *, unit: str) -> tuple[pd.DataFrame, str]:
    """Add E-values.

    Parameters
    ----------
    table
        Rows of ``OddsRatios``.
    unit
        What the referents are. An injury is rare among sessions and moves. Among climbers, and where the unit is not
        known, it is taken as common, which gives the smaller value.

    Returns
    -------
    The rows with e_value and e_value_limit (not for products of two exposures), and a sentence on how the ratio was
    taken.
    """
    outcome = "rare" if unit in RARE_UNITS else "common"
    found = [
        e_value(row["estimate"], conf_low=row["conf_low"], conf_high=row["conf_high"], outcome=outcome)
        for row in table.to_dict("records")
    ]
    single = ~table["exposure"].str.contains(":", regex=False)
    table = table.assign(
        e_value=pd.Series([each.estimate for each in found], index=table.index).where(single),
        e_value_limit=pd.Series([each.limit for each in found], index=table.index).where(single),
    )
    taken = (
        f"the odds ratio as a ratio of risks (an injury is rare among {unit}s)"
        if outcome == "rare"
        else "the square root of the odds ratio as a ratio of risks (the outcome may be common among climbers)"
    )
    return table, (
        f"E-values take {taken}: a confounder that was not measured, and not matched on, would have to go with "
        f"exposure and outcome by risk ratios of that size, both, to explain the ratio (e_value) or to bring its "
        f"limit to 1 (e_value_limit)."
    )
