"""The arithmetic of an allotment, held against published tables and worked examples."""

import csv
import math
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schools.nights_rules import BadLevelError, Basis, Counted, blend, chances, level_of, split_whole
from schools.nights_told import propose

DATA = Path(__file__).parents[1] / "data" / "nights"


def rows(name):
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def quantile(shape, rate, exposure, level):
    return chances(shape, rate, exposure, level)[-1].count


@pytest.mark.parametrize("row", rows("largest_remainder.csv"), ids=lambda row: f"{row['case']}-{row['units']}")
def test_splits_into_whole_numbers_as_published(row):
    weights = [int(each) for each in row["weights"].split("|")]
    assert split_whole(int(row["units"]), weights) == [int(each) for each in row["result"].split("|")]


@given(st.integers(0, 500), st.lists(st.integers(0, 50), min_size=1, max_size=12))
def test_a_split_loses_nothing_and_stays_within_one_of_its_share(total, weights):
    parts = split_whole(total, weights)
    assert sum(parts) == (total if sum(weights) else 0)
    if sum(weights):
        assert all(abs(part - Fraction(total * weight, sum(weights))) < 1 for part, weight in zip(parts, weights, strict=True))


class TestBlend:
    def test_shrinks_as_efron_and_morris_did(self):
        """Their factor 1 - (k - 3) s2 / S, about 0.212, is the one a pool gives whose weight is 45 (1 - c) / c families."""
        data = [(int(row["successes"]), int(row["trials"]), row) for row in rows("efron_morris_1970.csv")]
        successes, trials = sum(hits for hits, _, _ in data), sum(tried for _, tried, _ in data)
        mean = successes / trials
        spread = sum((hits / tried - mean) ** 2 for hits, tried, _ in data)
        factor = 1 - (len(data) - 3) * mean * (1 - mean) / 45 / spread
        assert (round(factor, 3), round(mean, 3)) == (0.212, 0.265)
        weight = round(45 * (1 - factor) / factor)
        for hits, tried, row in data:
            shrunk = float(blend(hits, tried, successes, trials, weight))
            assert shrunk == pytest.approx(float(row["james_stein_3dp"]), abs=0.0006)

    def test_leans_on_nothing_where_there_is_no_pool(self):
        assert blend(3, 12, 0, 0, 20) == Fraction(1, 4)
        assert blend(0, 0, 0, 0, 20) == 0

    def test_is_the_pools_share_for_a_school_without_history(self):
        assert blend(0, 0, 12, 80, 20) == Fraction(12, 80)

    @given(st.integers(0, 40), st.integers(0, 40), st.integers(0, 40), st.integers(1, 100), st.integers(0, 200))
    def test_lies_between_both_shares(self, own, others, pooled, rest, weight):
        if own + others:
            shares = Fraction(own, own + others), Fraction(pooled, pooled + rest)
            assert min(shares) <= blend(own, own + others, pooled, pooled + rest, weight) <= max(shares)


class TestQuantity:
    POISSON = {
        # mean: quantiles at 0.50 0.80 0.90 0.95 0.99, computed with scipy 1.17.1 (stats.poisson.ppf)
        0.5: (0, 1, 1, 2, 3),
        2: (2, 3, 4, 5, 6),
        4.2: (4, 6, 7, 8, 10),
        10: (10, 13, 14, 15, 18),
        25: (25, 29, 32, 33, 37),
    }

    @pytest.mark.parametrize("mean", POISSON)
    def test_becomes_poisson_with_a_long_history(self, mean):
        many = 10**9
        found = tuple(quantile(mean * many, many, 1, level) for level in (0.5, 0.8, 0.9, 0.95, 0.99))
        assert found == self.POISSON[mean]

    def test_predicts_as_the_gamma_poisson_model_of_bayes_rules(self):
        """Chapter 5: prior Gamma(10, 2), counts 6 2 2 1, posterior Gamma(21, 6), mean 3.5. Quantiles: scipy nbinom(21, 6/7)."""
        shape, rate = 10 + (6 + 2 + 2 + 1), 2 + 4
        assert shape / rate == 3.5
        assert [quantile(shape, rate, 1, level) for level in (0.5, 0.8, 0.9, 0.95)] == [3, 5, 6, 7]

    def test_blending_is_that_model(self):
        """Ten of two families before the season are a pool; the posterior mean times the exposure is what is expected."""
        basis = Basis(families=40, weight=20, level=Decimal("0.9"), own_total=14, pooled_total=80)
        line, _ = propose([Counted("flute", "", 3, 12), Counted("trumpet", "", 11, 68)], basis)
        assert basis.shape(line.counted) / basis.rate == line.share == Fraction(3, 17)
        assert line.expected == Decimal("7.06")

    def test_follows_the_newsvendor(self):
        """Discrete rule, Poisson 10, 40 for one short and 15 for one too many: F(11) 0.6968, F(12) 0.7916, so twelve."""
        level, many = level_of(Decimal(40), Decimal(15)), 10**9
        steps = chances(10 * many, many, 1, float(level))
        assert (steps[-1].count, round(steps[-2].at_most, 4), round(steps[-1].at_most, 4)) == (12, 0.6968, 0.7916)

    def test_ratio_of_a_textbook(self):
        """Cachon and Terwiesch, Matching Supply with Demand, 3rd edition, question 12.1: 8 and 4 give 0.6667."""
        assert level_of(Decimal(8), Decimal(4)) == Decimal("0.667")

    @pytest.mark.parametrize("costs", [(0, 5), (5, 0), (1, 9), (5000, 1), (-1, -1)])
    def test_refuses_costs_that_give_no_level(self, costs):
        with pytest.raises(BadLevelError):
            level_of(*map(Decimal, costs))

    def test_adds_up_by_the_closed_form(self):
        """Every chance is the negative binomial's Γ(k + r) / (k! Γ(r)) (1 - p)^r p^k."""
        shape, rate, exposure = 6.0, 34, 40
        p = exposure / (rate + exposure)
        for step in chances(shape, rate, exposure, 0.999):
            logs = math.lgamma(step.count + shape) - math.lgamma(step.count + 1) - math.lgamma(shape)
            assert step.exactly == pytest.approx(math.exp(logs + shape * math.log1p(-p) + step.count * math.log(p)), rel=1e-9)

    @given(st.floats(0.01, 300), st.integers(1, 2000), st.integers(1, 400), st.floats(0.5, 0.999))
    def test_is_the_least_that_is_enough(self, shape, rate, exposure, level):
        steps = chances(shape, rate, exposure, level)
        assert steps[-1].at_most >= level or steps[-1].count == 2000
        assert len(steps) == 1 or steps[-2].at_most < level

    def test_packs_none_of_what_nobody_took(self):
        assert quantile(0, 34, 40, 0.9) == 0


def test_a_proposal_covers_more_than_the_average_and_splits_the_families():
    basis = Basis(families=40, weight=20, level=Decimal("0.9"), own_total=14, pooled_total=80)
    counts = [Counted("flute", "", 3, 12), Counted("clarinet", "", 8, 40), Counted("trumpet", "", 3, 28)]
    lines = propose(counts, basis)
    assert sum(line.whole for line in lines) == 40
    assert all(line.quantity >= line.whole for line in lines)
    assert [line.quantity for line in lines] == [12, 30, 18]
