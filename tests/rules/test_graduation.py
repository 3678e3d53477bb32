"""Reading a rule's marks by their lengths alone."""

from __future__ import annotations

import numpy as np
import pytest

from digitize.reference.comb import number, projective
from digitize.reference.graduation import IMPERIAL, METRIC, read_lengths


def metric_lengths(index, per_mm=1):
    lengths = np.where(index % per_mm == 0, 3.0, 2.2)
    lengths = np.where(index % (5 * per_mm) == 0, 4.5, lengths)
    return np.where(index % (10 * per_mm) == 0, 6.5, lengths)


def inch_lengths(index, parts):
    ranks = sum((index % 2**p == 0).astype(int) for p in range(1, int(np.log2(parts)) + 1))
    return 2.0 * 1.3**ranks


@pytest.mark.parametrize("shift", [0, 3, 7])
def test_millimetres(shift):
    index = np.arange(80)
    rng = np.random.default_rng(1)
    read = read_lengths(index, metric_lengths(index + shift) + rng.normal(0, 0.3, 80))
    assert read.sure
    assert read.division.name == "1 mm"
    assert (index[(index - read.phase) % 10 == 0] + shift) % 10 == pytest.approx(0)


def test_half_millimetres():
    index = np.arange(120)
    read = read_lengths(index, metric_lengths(index, 2))
    assert (read.sure, read.division.pitch_mm, read.division.period) == (True, 0.5, 20)


@pytest.mark.parametrize("parts", [8, 16, 32, 64])
def test_inches(parts):
    index = np.arange(3 * parts)
    lengths = inch_lengths(index + 5, parts)
    read = read_lengths(index, lengths + np.random.default_rng(2).normal(0, 0.1, len(index)))
    assert read.sure
    assert read.division.name == f"1/{parts} inch"
    assert read.division.pitch_mm == pytest.approx(25.4 / parts)


def test_a_third_of_the_lengths_unknown_or_wrong():
    index = np.arange(90)
    rng = np.random.default_rng(3)
    lengths = metric_lengths(index)
    lengths[rng.random(90) < 0.15] = np.nan
    wrong = rng.random(90) < 0.12
    lengths[wrong] = rng.uniform(1, 8, wrong.sum())
    assert read_lengths(index, lengths).division.name == "1 mm"


def test_equal_marks_say_nothing():
    index = np.arange(60)
    assert read_lengths(index, 3 + np.random.default_rng(4).normal(0, 0.2, 60)) is None


def test_too_few_marks_say_nothing():
    assert read_lengths(np.arange(9), metric_lengths(np.arange(9))) is None


def test_told_units_keep_the_other_out():
    index = np.arange(64)
    assert read_lengths(index, inch_lengths(index, 16), METRIC) is None
    assert read_lengths(index, metric_lengths(index), IMPERIAL) is None


def perspective(k):
    return (120.0 + 5.0 * k) / (1 + 0.0008 * k)


def test_marks_are_numbered_through_perspective_noise_and_gaps():
    rng = np.random.default_rng(5)
    k = np.arange(200)
    keep = rng.random(200) > 0.2
    keep[90:105] = False
    peaks = np.concatenate([perspective(k[keep]) + rng.normal(0, 0.15, keep.sum()), [431.7, 700.2]])
    comb = number(peaks)
    assert comb is not None
    assert len(comb.index) >= 0.95 * keep.sum()
    true = np.interp(comb.at, perspective(k), k)
    assert np.ptp(np.rint(true) - comb.index) == 0


def test_places_without_order_are_no_rule():
    rng = np.random.default_rng(6)
    comb = number(np.sort(rng.uniform(0, 1000, 150)))
    assert comb is None or comb.worth < 25


def test_the_cross_ratio_is_kept():
    k = np.array([0.0, 10, 25, 60, 61, 90, 140])
    a, b, c = projective(k, perspective(k))
    assert (a, b, c) == pytest.approx((120.0, 5.0, 0.0008))
