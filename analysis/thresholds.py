"""Every threshold of the analyses, in one place, each with its reason."""

from __future__ import annotations

from typing import Final

CONF_LEVEL: Final = 0.95
"""Level of every interval unless the caller says otherwise (convention of the field; IOC consensus 2020)."""

HORIZONS: Final[tuple[int, ...]] = (42, 91, 182, 365)
"""Days at which shares back are stated: 6 weeks, 3, 6 and 12 months (our own convention, used everywhere)."""

QUANTILE_PROBABILITIES: Final[tuple[float, ...]] = (0.25, 0.5, 0.75)
"""Shares with the event at which times are stated: the quartiles."""

SMALL_CELL: Final = 5
"""Counts below this are hidden in print for adults (common practice of statistics offices, no source)."""

MIN_AT_RISK: Final = 10
"""Below this many at risk a curve hangs on single people. Under late entry the early part of a curve is
conditional on the first day with this many (common practice, no source; Pocock, Clayton & Altman 2002 advise
to stop plotting at 10 to 20 % of those at risk)."""

MIN_AT_RISK_SHARE: Final = 0.5
"""In a group smaller than twice MIN_AT_RISK this share of it takes the place of MIN_AT_RISK, so that small
registries are not warned about everything (our own choice)."""

MIN_EVENTS: Final = 5
"""An estimate from fewer events is not worth its interval (our own choice, same as SMALL_CELL)."""

MIN_CLUSTERS: Final = 10
"""Limits linearised over fewer climbers or squads are not given: with one event of two climbers Student's t has
one degree of freedom and the upper limit is a million times the rate (our own choice)."""

MIN_FOR_TEST: Final = 10
"""A cross table of fewer rows is shown but not tested: hardly any table with its margins could be called
improbable (our own choice)."""

MIN_CASES_FOR_MEDIAN: Final = 5
"""A group with fewer cases shows its curve but no median time (our own choice, same as SMALL_CELL)."""

SPARSE_EXPECTED: Final = 5
"""An expected count below this makes Pearson's chi-square approximation doubtful (Cochran 1954,
Biometrics 10:417-451); the p-value then comes from Monte Carlo tables."""

MONTE_CARLO_TABLES: Final = 100_000
"""Tables drawn for a Monte-Carlo p-value: at p = 0.05 its standard error is 0.0007, at 0.5 it is 0.002."""

QUANTILE_TOLERANCE: Final = 1.4901161193847656e-08
"""How near S must be to 1 - p to count as equal: the square root of double precision, as R's survival has it.
Products of fractions miss 0.5 in the last digit, and the plateau rule must not depend on that."""

SAME_TIME: Final = 1.4901161193847656e-08
"""Times that lie nearer together than this part of the mean time are one time: the square root of double precision,
as R's survival has it (timefix; there it is also an absolute difference). 0.1 + 0.2 and 0.3 must tie."""

BOOTSTRAP_REPLICATES: Final = 2_000
"""Resamples behind a bootstrap limit: its Monte-Carlo error is then about a twentieth of the limit's distance from the
estimate (common practice, no source)."""

PERMUTATIONS: Final = 1_999
"""Exchanges of climbers behind a permutation p-value: at p = 0.05 its standard error is 0.005."""

MAX_PERMUTED: Final = 20_000
"""Larger tables are not permuted: it would take longer than some seconds, and the Rao-Scott test is good there (our own
choice)."""

IMPUTATIONS: Final = 20
"""Completed tables behind a pooled estimate: with half of the information missing, limits are then about 1 % longer
than with endlessly many (Rubin 1987; 20 are common practice)."""

MAX_IMPUTED: Final = 20_000
"""Larger tables are not completed: it would take longer than a minute (our own choice)."""

FIRTH_REPLICATES: Final = 1_000
"""Resamples behind the limits of Firth's estimate where climbers repeat: each is a fit of its own, and a percentile
limit rests on 25 of them (common practice, no source)."""
