"""A proportion by nine methods, and the effective sample size: published values, R, and laws."""

from __future__ import annotations

import json
from math import comb
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.proportion_limits import LIMITS
from analysis.proportions import effective_size, normal_quantile, proportion, wilson_limits
from registry.errors import InputError, OptionError

TESTS = Path(__file__).resolve().parent.parent
CASES: list[dict[str, Any]] = json.loads((TESTS / "checks" / "proportions.json").read_text(encoding="utf-8"))
NO_EVENTS: list[dict[str, Any]] = json.loads((TESTS / "checks" / "no_events.json").read_text(encoding="utf-8"))
FROM_R = pd.read_csv(TESTS / "reference" / "proportions" / "limits.csv")
REFERENCE = json.loads((TESTS / "reference" / "injury_tables" / "expected.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_wilson_equals_the_check_values(case: dict[str, Any]) -> None:
    # Source and status stand in the file: Newcombe 1998, Table I, and boundary companions, computed with R 4.2.2.
    inputs = case["inputs"]
    limits = wilson_limits(inputs["x"], inputs["n"], conf_level=inputs["level"])
    assert limits == pytest.approx(case["expected"]["wilson"], abs=case["tolerance"])
    if "published" in case:
        assert limits == pytest.approx(case["published"]["wilson"], abs=5e-5)


CHECKED = [(case, name) for case in CASES for name in case["expected"] if name.removesuffix("_untruncated") in LIMITS]


@pytest.mark.parametrize(("case", "name"), CHECKED, ids=lambda value: value if isinstance(value, str) else value["id"])
def test_every_method_equals_the_check_values(case: dict[str, Any], name: str) -> None:
    # Source and status stand in the file, as above; Agresti-Coull is not cut at 0 and 1 there, nor here.
    inputs = case["inputs"]
    share = proportion(
        inputs["x"], of=inputs["n"], method=name.removesuffix("_untruncated"), conf_level=inputs["level"]
    )
    limits = [share.conf_low, share.conf_high]
    assert share.estimate == pytest.approx(case["expected"]["p"], abs=case["tolerance"])
    assert limits == pytest.approx(case["expected"][name], abs=case["tolerance"])
    if name in case.get("published", {}):
        assert limits == pytest.approx(case["published"][name], abs=5.1e-5)
    assert ("limit_outside" in {note.code for note in share.notes}) == (limits[0] < 0 or limits[1] > 1)


@pytest.mark.parametrize("method", sorted(FROM_R["method"].unique()))
def test_every_size_equals_r(method: str) -> None:
    # computed with R 4.2.2: tests/reference/proportions/make.R (sizes 1 to a million, 0 and all of them, three levels)
    rows = FROM_R[FROM_R["method"] == method]
    assert len(rows) > 100
    for row in rows.itertuples():
        share = proportion(row.n, of=row.of, method=method, conf_level=row.conf_level)
        assert [share.conf_low, share.conf_high] == pytest.approx([row.conf_low, row.conf_high], abs=1e-9)


@pytest.mark.parametrize("case", NO_EVENTS, ids=lambda case: case["id"])
def test_no_events_have_a_one_sided_limit(case: dict[str, Any]) -> None:
    # Hanley & Lippman-Hand 1983, JAMA 249:1743-1745; computed with R 4.2.2 (status in the file).
    for of, bound, rule in zip(
        case["inputs"]["n"], case["expected"]["exact_one_sided"], case["expected"]["rule_of_three"], strict=True
    ):
        share = proportion(0, of=of, method="exact", sided="upper")
        assert share.conf_high == pytest.approx(bound, abs=case["tolerance"])
        assert share.conf_low == 0
        assert share.conf_high < rule
        assert proportion(of, of=of, method="exact", sided="lower").conf_low == pytest.approx(1 - bound, abs=1e-12)
        assert share.method == f"Proportion 0 of {of} with 95 % one-sided upper Clopper-Pearson exact limit."


PUBLISHED_SHARES = [
    # n, of, share, low, high (per cent), and whence; limits recomputed from the printed counts where none is printed
    (299, 369, 81.0, 76.7, 84.7),  # Jones et al., poster on self-reported mechanisms; printed share, Wilson derived
    (46, 47, 97.9, 88.9, 99.6),  # Klauser et al. 2002, Radiology 222:755-761: sensitivity 98 %; Wilson derived
    (38, 43, 88.4, 75.5, 94.9),  # Schneeberger & Schweizer 2016, WEM 27:211-218; Wilson derived
    (222, 507, 43.8, 39.5, 48.1),  # Auer 2021, 222 of 507 boulderers (printed 44 %); Wilson derived
]


@pytest.mark.parametrize(("n", "of", "share", "low", "high"), PUBLISHED_SHARES)
def test_published_shares_of_climbers(n: int, of: int, share: float, low: float, high: float) -> None:
    assert 100 * n / of == pytest.approx(share, abs=0.05)
    assert 100 * wilson_limits(n, of) == pytest.approx([low, high], abs=0.05)


def test_not_to_be_imitated() -> None:
    # Jones, Llewellyn & Johnson 2015, BMJ Open SEM 1:e000031: 36 of 101, printed limits 34.7-36.8 %; Wilson derived.
    low, high = 100 * wilson_limits(36, 101)
    assert (low, high) == pytest.approx((27.0, 45.4), abs=0.05)
    assert low < 34.7
    assert high > 36.8
    # The printed "relative risk" 1.55 (1.34-1.80) is 101/65, that is 1 / (1 - p): no exposed group is compared.
    error = np.sqrt(1 / 65 - 1 / 101)
    ratio = 101 / 65
    assert ratio == pytest.approx(1 / (1 - 36 / 101))
    limits = [ratio * np.exp(-1.96 * error), ratio * np.exp(1.96 * error)]
    assert [ratio, *limits] == pytest.approx([1.55, 1.34, 1.80], abs=0.005)


def test_clustered_variance_equals_the_sandwich_of_r() -> None:
    # computed with R 4.2.2: tests/reference/injury_tables/make.R
    given_ = REFERENCE["climbers"]
    climber, pulley = np.array(given_["climber"]), np.array(given_["pulley"])
    sizes = np.bincount(climber)[1:]
    hits = np.bincount(climber, weights=pulley)[1:]
    n, of = int(pulley.sum()), len(pulley)
    size = effective_size(
        [n],
        of,
        clusters=len(sizes),
        squares=[(hits**2).sum()],
        products=[(hits * sizes).sum()],
        sizes=int((sizes**2).sum()),
    )[0]
    share = n / of
    assert share * (1 - share) / (of - 1) * of / size == pytest.approx(given_["share_variance"][0], rel=1e-12)
    assert size < of


def test_units_of_their_own_keep_their_size() -> None:
    size = effective_size([3, 0, 10], 10, clusters=10, squares=[3, 0, 10], products=[3, 0, 10], sizes=10)
    assert size == pytest.approx([10, 10, 10])


def test_no_units_have_no_limits() -> None:
    assert np.isnan(wilson_limits(0, 0)).all()


@pytest.mark.parametrize("level", [0, 1, 95, -0.5, float("nan")])
def test_a_level_outside_is_refused(level: float) -> None:
    with pytest.raises(OptionError, match="between 0 and 1"):
        normal_quantile(level)


@settings(deadline=None)
@given(st.data(), st.integers(1, 10**7))
def test_limits_hold_the_share_and_stay_inside(data: st.DataObject, of: int) -> None:
    n = data.draw(st.integers(0, of))
    low, high = wilson_limits(n, of)
    assert 0 <= low <= n / of <= high <= 1
    wider_low, wider_high = wilson_limits(n, of, conf_level=0.99)
    assert wider_low <= low
    assert wider_high >= high
    assert wilson_limits(of - n, of)[::-1] == pytest.approx(1 - np.array([low, high]), abs=1e-12)


METHODS = st.sampled_from(sorted(LIMITS))
COUNTS = st.integers(1, 10**6).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of)))


@given(METHODS, COUNTS, st.sampled_from([0.5, 0.8, 0.9]))
def test_every_method_holds_the_share_is_symmetric_and_nests(
    method: str, counts: tuple[int, int], level: float
) -> None:
    n, of = counts
    share = proportion(n, of=of, method=method, conf_level=level)  # type: ignore[arg-type]
    others = proportion(of - n, of=of, method=method, conf_level=level)  # type: ignore[arg-type]
    wider = proportion(n, of=of, method=method, conf_level=level + 0.09)  # type: ignore[arg-type]
    assert share.conf_low <= share.estimate + 1e-14
    assert share.conf_high >= share.estimate - 1e-14
    assert [others.conf_low, others.conf_high] == pytest.approx([1 - share.conf_high, 1 - share.conf_low], abs=1e-12)
    assert wider.conf_low <= share.conf_low + 1e-14
    assert wider.conf_high >= share.conf_high - 1e-14
    if method not in {"wald", "wald_cc", "agresti_coull"}:
        assert 0 <= share.conf_low <= share.conf_high <= 1


@given(METHODS, COUNTS)
def test_a_one_sided_limit_is_that_of_twice_the_tail(method: str, counts: tuple[int, int]) -> None:
    n, of = counts
    both = proportion(n, of=of, method=method, conf_level=0.9)  # type: ignore[arg-type]
    upper = proportion(n, of=of, method=method, conf_level=0.95, sided="upper")  # type: ignore[arg-type]
    lower = proportion(n, of=of, method=method, conf_level=0.95, sided="lower")  # type: ignore[arg-type]
    assert (upper.conf_low, lower.conf_high) == (0, 1)
    assert upper.conf_high == pytest.approx(both.conf_high, abs=1e-13)
    assert lower.conf_low == pytest.approx(both.conf_low, abs=1e-13)


def test_the_exact_limits_cover_at_least_as_promised() -> None:
    # Computed, not simulated: the probability of every count of 12, at every true share.
    of, level = 12, 0.9
    limits = [proportion(n, of=of, method="exact", conf_level=level) for n in range(of + 1)]
    for truth in np.linspace(0.01, 0.99, 197):
        chance = np.array([_binomial(n, of, truth) for n in range(of + 1)])
        covered = np.array([one.conf_low <= truth <= one.conf_high for one in limits])
        assert chance[covered].sum() >= level


def _binomial(n: int, of: int, share: float) -> float:
    return comb(of, n) * share**n * (1 - share) ** (of - n)


def test_nothing_of_nothing_is_said_to_be_nothing() -> None:
    share = proportion(0, of=0)
    assert np.isnan([share.estimate, share.conf_low, share.conf_high]).all()
    assert [note.code for note in share.notes] == ["no_units"]


@pytest.mark.parametrize(
    ("n", "of", "match"),
    [
        (9, 8, "n is 9 and of is 8; n counts a part of of"),
        (-1, 8, "n is -1; a count is needed"),
        (1.5, 8, "n is 1.5; a count is needed"),
        (float("nan"), 8, "n is nan; a count is needed"),
        (1, float("inf"), "of is inf; a count is needed"),
        ("3", 8, "n is given as str; a count is needed"),
        (None, 8, "n is given as NoneType; a count is needed"),
        (True, 8, "n is given as bool; a count is needed"),
        ([3], 8, "n is not a number; a count is needed"),
        (1, 10**400, "of is beyond all counting"),
    ],
)
def test_counts_that_are_none_are_refused(n: Any, of: Any, match: str) -> None:
    with pytest.raises(InputError, match=match):
        proportion(n, of=of)


def test_options_that_do_not_exist_are_refused() -> None:
    with pytest.raises(OptionError, match=r"method is 'wilsn'; it is one of .* Did you mean 'wilson'\?"):
        proportion(1, of=2, method="wilsn")  # type: ignore[arg-type]
    with pytest.raises(OptionError, match="sided is 'both'; it is one of two, upper, lower"):
        proportion(1, of=2, sided="both")  # type: ignore[arg-type]
    for level in (95, "0.95", None):
        with pytest.raises(OptionError, match=f"conf_level is {level}; a level between 0 and 1"):
            proportion(1, of=2, conf_level=level)  # type: ignore[arg-type]
    for word in (None, ["wilson"]):
        with pytest.raises(OptionError, match=r"it is one of wilson, .*, written in quotes"):
            proportion(1, of=2, method=word)  # type: ignore[arg-type]
    with pytest.raises(OptionError, match=r"one-sided limit below 0\.5 lies on the wrong side"):
        proportion(3, of=30, method="likelihood", sided="upper", conf_level=0.3)


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("Clopper-Pearson", "clopper_pearson"),
        ("exact", "clopper_pearson"),
        ("Wilson", "wilson"),
        ("score", "wilson"),
        ("wilson-cc", "wilson_cc"),
        ("mid-P", "mid_p"),
        ("midp", "mid_p"),
        ("likelihood ratio", "likelihood"),
        ("Agresti-Coull", "agresti_coull"),
        ("normal", "wald"),
    ],
)
def test_a_method_is_known_however_it_is_written(written: Any, meant: str) -> None:
    assert proportion(5, of=10, method=written).table["method"].item() == meant


def test_limits_without_width_say_so() -> None:
    assert [note.code for note in proportion(0, of=20, method="wald").notes] == ["no_width"]
    assert [note.code for note in proportion(20, of=20, method="wald").notes] == ["no_width"]
    assert not proportion(0, of=20).notes
