"""How numbers are said. Rounding happens here, once, and nowhere else.

The estimates stay unrounded everywhere else; a number that is shown to a person has passed one of these functions.
"""

from __future__ import annotations

import math

from reports.wording import is_missing

NOT_REACHED = "not reached"
NOT_ESTIMABLE = "not estimable"
NARROW_SPACE = "\N{NARROW NO-BREAK SPACE}"
SHARE_DECIMALS_FROM = 1000
"""From this denominator on, a share is printed with one decimal; below, a decimal would be false precision.
Common practice, no source."""


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
