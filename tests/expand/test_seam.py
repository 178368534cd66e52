"""Where gated spectra take over, how, and what a joined row says of itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from expand.crafted import make_expansion
from expand.plain_waves import complex_normal, harmonics_of, spiral

from fieldproc.expand.seam import best_agreement, difference, find_seam, join, overlap
from fieldproc.records import Expansion, Verdict
from fieldproc.waves.basis import far_field_pattern

FREQUENCY_HZ = 100.0 * 2.0 ** (np.arange(121) / 24.0)
OCTAVES = np.log2(FREQUENCY_HZ / 100.0)
ROWS = len(FREQUENCY_HZ)


def sloping_pair(middle_octave: float = 2.5, verdicts: tuple[int, int] = (0, 0)) -> tuple[Expansion, Expansion]:
    """Two answers to one truth: errors of 1e-3 at the middle, of the first rising, of the second falling."""
    rng = np.random.default_rng(1)
    truth = complex_normal(rng, ROWS, 2, 16)
    slope = 10.0 ** ((OCTAVES - middle_octave) / 2.0)[:, None, None]
    errors = 1e-3 * complex_normal(rng, 2, ROWS, 2, 16)
    separated = make_expansion(FREQUENCY_HZ, truth + errors[0] * slope, complex_normal(rng, ROWS, 2, 9), mark=-50.0)
    gated = make_expansion(FREQUENCY_HZ, truth + errors[1] / slope, mark=-30.0)
    return with_verdict(separated, np.full(ROWS, verdicts[0])), with_verdict(gated, np.full(ROWS, verdicts[1]))


def with_verdict(one: Expansion, verdict: np.ndarray) -> Expansion:
    """Of both channels alike."""
    return replace(one, quality=replace(one.quality, verdict=np.tile(verdict[:, None], (1, 2))))


def answering(one: Expansion, where: np.ndarray) -> Expansion:
    """Good there, to be discarded elsewhere."""
    return with_verdict(one, np.where(where, int(Verdict.GOOD), int(Verdict.DO_NOT_USE)))


# --- how far the two differ ------------------------------------------------------------------------------


def test_difference_is_that_of_the_far_fields() -> None:
    rng = np.random.default_rng(2)
    one, other = complex_normal(rng, 25), complex_normal(rng, 9)
    harmonics = harmonics_of(4, spiral(20000))
    patterns = [far_field_pattern(np.pad(part, (0, 25 - len(part))), 7.0, harmonics) for part in (one, other)]
    expected = np.linalg.norm(patterns[0] - patterns[1]) / np.linalg.norm(patterns[1])
    # 20,000 directions stand for all
    assert difference(one, other) == pytest.approx(expected, rel=1e-4)
    assert difference(other, one) == pytest.approx(expected * np.linalg.norm(other) / np.linalg.norm(one), rel=1e-4)


def test_difference_of_equals_and_from_nothing() -> None:
    rng = np.random.default_rng(3)
    one = complex_normal(rng, 3, 2, 9)
    assert np.all(difference(one, one) == 0)
    np.testing.assert_allclose(difference(0 * one, one), 1.0, rtol=1e-15)
    assert np.all(np.isnan(difference(one, 0 * one)))


def test_both_answer_where_no_channel_is_discarded_and_the_room_is_told_apart() -> None:
    separated, gated = sloping_pair()
    verdict = separated.quality.verdict.copy()
    verdict[10, 1] = Verdict.DO_NOT_USE
    order = separated.regular_order.copy()
    order[20] = -1
    separated = replace(separated, quality=replace(separated.quality, verdict=verdict), regular_order=order)
    gated = answering(gated, OCTAVES > 0.1)
    expected = np.setdiff1d(np.arange(3, ROWS), [10, 20])
    np.testing.assert_array_equal(overlap(separated, gated), expected)


def test_one_lucky_row_is_no_agreement() -> None:
    """The mean over a third of an octave decides: a single small value amid large ones is chance."""
    missed = np.full((ROWS, 1), 0.1)
    missed[30] = 1e-6
    missed[80:100] = 0.05
    at, size = best_agreement(FREQUENCY_HZ, np.arange(ROWS), missed)
    assert 80 <= at < 100
    assert size == pytest.approx(0.05)


def test_agreement_counts_rows_of_the_overlap_alone() -> None:
    rows = np.array([5, 60, 61])
    missed = np.array([[0.2, 0.0], [0.1, 0.3], [0.1, 0.3]])
    at, size = best_agreement(FREQUENCY_HZ, rows, missed)
    assert at == 5
    # of two channels, the mean power
    assert size == pytest.approx(0.2 / np.sqrt(2))


# --- where the seam lies ---------------------------------------------------------------------------------


@pytest.mark.parametrize("middle_octave", [1.5, 2.5, 3.5])
def test_seam_where_the_larger_error_is_smallest(middle_octave: float) -> None:
    seam = find_seam(*sloping_pair(middle_octave), "auto")
    # a flat minimum: a third of an octave from it, the difference is 0.1 dB larger, as much as it scatters
    assert np.log2(seam.crossover_hz / 100.0) == pytest.approx(middle_octave, abs=0.5)
    assert np.all(np.isfinite(seam.difference_db))


@pytest.mark.parametrize("crossover_hz", ["auto", 300.0, 317.3, 1000.0])
def test_share_rises_smoothly_within_half_an_octave(crossover_hz: float) -> None:
    seam = find_seam(*sloping_pair(), crossover_hz)
    if crossover_hz != "auto":
        assert seam.crossover_hz == crossover_hz
    away = np.log2(FREQUENCY_HZ / seam.crossover_hz)
    assert np.all(seam.share[away <= -0.25] == 0.0)
    assert np.all(seam.share[away >= 0.25] == 1.0)
    within = np.abs(away) < 0.2499
    assert np.all(np.diff(seam.share[within]) > 0)
    # steepest in the middle: pi/2 per half octave, 24 rows an octave
    assert np.diff(seam.share).max() < 1.01 * np.pi / 24
    np.testing.assert_allclose(np.interp(0.0, away, seam.share), 0.5, atol=0.01)


@pytest.mark.parametrize(("crossover_hz", "share"), [(10.0, 1.0), (1e5, 0.0)])
def test_stated_outside_the_band(crossover_hz: float, share: float) -> None:
    seam = find_seam(*sloping_pair(), crossover_hz)
    assert np.all(seam.share == share)
    assert seam.crossover_hz == crossover_hz


def test_stated_where_only_one_answers() -> None:
    """No row is blended, and the step is where the settings want it."""
    separated, gated = sloping_pair()
    seam = find_seam(separated, answering(gated, OCTAVES >= 3.0), 200.0)
    np.testing.assert_array_equal(seam.share, OCTAVES >= 1.0 - 1e-9)
    assert np.all(np.isnan(seam.difference_db[OCTAVES < 3.0 - 1e-9]))


@pytest.mark.parametrize("half_width", [0.0, 0.05, 0.13])
def test_blend_within_a_narrow_overlap(half_width: float) -> None:
    """Where one does not answer it has no share."""
    separated, gated = sloping_pair()
    away = OCTAVES - 2.5
    separated = answering(separated, away < half_width + 1e-9)
    gated = answering(gated, away > -half_width - 1e-9)
    seam = find_seam(separated, gated, "auto")
    assert np.all(seam.share[away < -half_width - 1e-9] == 0.0)
    assert np.all(seam.share[away > half_width + 1e-9] == 1.0)
    joined = join(separated, gated, seam)
    assert np.all(joined.quality.verdict == Verdict.GOOD)


@pytest.mark.parametrize("hole", [(2.40, 2.45), (2.6, 2.7)])
def test_no_blend_across_a_hole_of_the_overlap(hole: tuple[float, float]) -> None:
    """One of them fails amid the overlap: what is to be discarded gets no share of a blended row."""
    separated, gated = sloping_pair()
    fails = (hole[0] < OCTAVES) & (hole[1] > OCTAVES)
    assert fails.any()
    if hole[0] < 2.5:
        gated = answering(gated, ~fails)
    else:
        separated = answering(separated, ~fails)
    seam = find_seam(separated, gated, 100.0 * 2.0**2.5)
    assert 0 < np.sum((seam.share > 0) & (seam.share < 1)) < 11
    assert np.all(join(separated, gated, seam).quality.verdict == Verdict.GOOD)


def test_without_overlap_gated_takes_over_above_what_is_separated() -> None:
    separated, gated = sloping_pair()
    separated = answering(separated, OCTAVES < 2.0)
    gated = answering(gated, OCTAVES > 3.0)
    seam = find_seam(separated, gated, "auto")
    np.testing.assert_array_equal(seam.share, OCTAVES > 3.0)
    assert np.all(np.isnan(seam.difference_db))


def test_one_surface_takes_gated_as_soon_as_it_answers() -> None:
    """Nothing is separated, so ungated spectra hold the room at every frequency, however well they fit."""
    separated, gated = sloping_pair()
    one = replace(separated, regular_order=np.full(ROWS, -1), regular=np.zeros((ROWS, 2, 0), dtype=np.complex128))
    one = with_verdict(one, np.full(ROWS, int(Verdict.CAUTION)))
    seam = find_seam(one, answering(gated, OCTAVES > 1.0), "auto")
    np.testing.assert_array_equal(seam.share, OCTAVES > 1.0)
    joined = join(one, answering(gated, OCTAVES > 1.0), seam)
    assert joined.regular.shape[2] == 0
    np.testing.assert_array_equal(joined.quality.verdict[:, 0], np.where(OCTAVES > 1.0, 0, 1))


@pytest.mark.parametrize(
    ("doubted", "expected"), [((0, 40), 2.5), ((100, 121), 2.5), ((40, 70), 2.95), ((50, 90), 2.05)]
)
def test_no_seam_where_the_gated_answer_is_in_doubt(doubted: tuple[int, int], expected: float) -> None:
    """Doubt far from where the two agree changes nothing; elsewhere the nearest place without it is taken."""
    separated, gated = sloping_pair()
    verdict = np.zeros(ROWS, dtype=np.int64)
    verdict[slice(*doubted)] = Verdict.CAUTION
    seam = find_seam(separated, with_verdict(gated, verdict), "auto")
    # as for the pair itself
    assert np.log2(seam.crossover_hz / 100.0) == pytest.approx(expected, abs=0.5)
    at = int(np.argmin(np.abs(FREQUENCY_HZ - seam.crossover_hz)))
    assert verdict[at] == Verdict.GOOD


def test_gated_in_doubt_wherever_both_answer_takes_over_above() -> None:
    separated, gated = sloping_pair(verdicts=(0, 1))
    separated = answering(separated, OCTAVES < 4.0)
    seam = find_seam(separated, gated, "auto")
    np.testing.assert_array_equal(seam.share, OCTAVES >= 4.0)


def test_gated_that_never_answers_is_not_used() -> None:
    separated, gated = sloping_pair(verdicts=(0, 2))
    seam = find_seam(separated, gated, "auto")
    assert np.all(seam.share == 0.0)
    assert seam.crossover_hz == np.inf
    joined = join(separated, gated, seam)
    np.testing.assert_array_equal(joined.outgoing, separated.outgoing)
    np.testing.assert_array_equal(joined.quality.verdict, separated.quality.verdict)


# --- what is joined --------------------------------------------------------------------------------------


def test_join_row_by_row() -> None:
    separated, gated = sloping_pair()
    # an upper answer of higher degrees, with a row of nan below where it is used
    rng = np.random.default_rng(4)
    more = np.concatenate([gated.outgoing, 1e-3 * complex_normal(rng, ROWS, 2, 20)], axis=2)
    more[3] = np.nan
    gated = replace(gated, outgoing=more, outgoing_order=np.full(ROWS, 5))
    seam = find_seam(separated, answering(gated, OCTAVES > 1.0), "auto")
    joined = join(separated, gated, seam)
    share = seam.share[:, None, None]
    below, above = seam.share == 0.0, seam.share == 1.0
    blended = ~below & ~above
    assert blended.sum() > 5
    assert joined.outgoing.shape == (ROWS, 2, 36)
    np.testing.assert_array_equal(joined.outgoing[below, :, :16], separated.outgoing[below])
    assert np.all(joined.outgoing[below, :, 16:] == 0)
    np.testing.assert_array_equal(joined.outgoing[above], more[above])
    long = np.pad(separated.outgoing, ((0, 0), (0, 0), (0, 20)))
    expected = (1 - share) * long + share * np.nan_to_num(more)
    np.testing.assert_allclose(joined.outgoing[blended], expected[blended], rtol=1e-14)
    np.testing.assert_array_equal(joined.outgoing_order, np.where(below, 3, 5))
    np.testing.assert_array_equal(joined.regular_order, np.where(above, -1, 2))
    np.testing.assert_array_equal(joined.regular[~above], separated.regular[~above])
    assert np.all(joined.regular[above] == 0)


def test_a_blended_row_keeps_the_higher_order_of_the_two() -> None:
    separated, gated = sloping_pair()
    gated = replace(gated, outgoing=gated.outgoing[:, :, :9], outgoing_order=np.full(ROWS, 2))
    joined = join(separated, gated, find_seam(separated, gated, 565.0))
    share = joined.quality.gated_share
    np.testing.assert_array_equal(joined.outgoing_order, np.where(share == 1.0, 2, 3))


def test_quality_is_that_of_the_larger_part() -> None:
    separated, gated = sloping_pair()
    seam = find_seam(separated, gated, "auto")
    quality = join(separated, gated, seam).quality
    expected = np.where(seam.share >= 0.5, -30.0, -50.0)
    for name in ("residual_db", "leave_one_out_db", "random_error_db", "regularisation", "scattering_db"):
        np.testing.assert_array_equal(getattr(quality, name), np.tile(expected[:, None], (1, 2)))
    for name in ("condition", "noise_gain_db", "truncation_db"):
        np.testing.assert_array_equal(getattr(quality, name), expected)
    np.testing.assert_array_equal(quality.gated_share, seam.share)
    np.testing.assert_array_equal(quality.overlap_difference_db, seam.difference_db)
    # of points, the mean power of both: (1e-5 + 1e-3) / 2
    np.testing.assert_allclose(quality.point_residual_db, 10 * np.log10(0.505e-3), rtol=1e-12)


@pytest.mark.parametrize(("verdicts", "expected"), [((0, 0), 0), ((1, 0), 1), ((0, 1), 1)])
def test_verdict_of_a_blended_row_is_the_worse_one(verdicts: tuple[int, int], expected: int) -> None:
    separated, gated = sloping_pair(verdicts=verdicts)
    seam = find_seam(separated, gated, 565.0)
    verdict = join(separated, gated, seam).quality.verdict
    assert np.all(verdict[seam.share == 0.0] == verdicts[0])
    assert np.all(verdict[seam.share == 1.0] == verdicts[1])
    assert np.all(verdict[(seam.share > 0.0) & (seam.share < 1.0)] == expected)


def test_caution_where_blended_answers_differ() -> None:
    """Above -25 dB, in the channel that differs, and only where the two are blended."""
    separated, gated = sloping_pair()
    changed = gated.outgoing.copy()
    changed[:, 1] *= 1.1
    gated = replace(gated, outgoing=changed)
    seam = find_seam(separated, gated, 565.0)
    verdict = join(separated, gated, seam).quality.verdict
    blended = (seam.share > 0.0) & (seam.share < 1.0)
    assert np.all(verdict[:, 0] == Verdict.GOOD)
    np.testing.assert_array_equal(verdict[:, 1] == Verdict.CAUTION, blended)
