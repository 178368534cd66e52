"""The standard uncertainty of levels, and the verdict it comes to."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from expand.crafted import make_expansion

from fieldproc.expand.certainty import level_uncertainty, with_certainty
from fieldproc.expand.quality import UNCERTAIN_DB
from fieldproc.records import Deviations, Expansion, Verdict

FIELD = np.array([1.0, 0.2, 0.5j, -0.1])
DB = 20.0 / np.log(10.0)


def expansion_with(vectors: np.ndarray, draws: int = 0, verdict: int = 0) -> Expansion:
    """One frequency and channel; vectors (vector, coefficient), the first of them drawn at random."""
    expansion = make_expansion(np.array([500.0]), FIELD[None, None].astype(complex), verdict=verdict)
    if not draws:
        vectors, draws = np.concatenate([np.zeros((1, 4)), vectors]), 1
    causes = tuple(f"cause {at}" for at in range(len(vectors) - draws))
    whole = (vectors[None].astype(np.complex64),)
    return replace(expansion, deviations=Deviations(whole, (whole[0][:, :, :0],), draws, causes))


def test_a_gain_is_an_error_of_all_levels() -> None:
    # single precision of the vectors
    assert level_uncertainty(expansion_with(0.01 * FIELD[None])) == pytest.approx(0.01 * DB, rel=1e-6)


def test_a_common_turn_of_phase_is_no_error_of_a_level() -> None:
    assert level_uncertainty(expansion_with(0.1j * FIELD[None])) == pytest.approx(0.0, abs=1e-6)


def test_causes_add_and_draws_average() -> None:
    vectors = np.array([0.03, 0.04])[:, None] * FIELD
    assert level_uncertainty(expansion_with(vectors)) == pytest.approx(0.05 * DB, rel=1e-6)
    assert level_uncertainty(expansion_with(vectors, draws=2)) == pytest.approx(0.05 / np.sqrt(2.0) * DB, rel=1e-6)


def test_a_frequency_without_a_fit_has_no_uncertainty() -> None:
    expansion = expansion_with(FIELD[None])
    nothing = np.zeros((1, 0, 0), dtype=np.complex64)
    blank = replace(expansion, deviations=replace(expansion.deviations, outgoing=(nothing,), regular=(nothing,)))
    assert np.isnan(level_uncertainty(blank)).all()
    unknown = replace(blank, deviations=None)
    assert with_certainty(unknown) is unknown


@pytest.mark.parametrize(
    ("uncertainty_db", "verdict"),
    [
        (0.99 * UNCERTAIN_DB[0], Verdict.GOOD),
        (1.01 * UNCERTAIN_DB[0], Verdict.CAUTION),
        (0.99 * UNCERTAIN_DB[1], Verdict.CAUTION),
        (1.01 * UNCERTAIN_DB[1], Verdict.DO_NOT_USE),
    ],
)
def test_the_verdict_heeds_it(uncertainty_db: float, verdict: Verdict) -> None:
    found = with_certainty(expansion_with(uncertainty_db / DB * FIELD[None]))
    assert found.quality.level_uncertainty_db == pytest.approx(uncertainty_db, rel=1e-6)
    assert found.quality.verdict == verdict


def test_a_worse_verdict_stays() -> None:
    found = with_certainty(expansion_with(1e-4 * FIELD[None], verdict=int(Verdict.DO_NOT_USE)))
    assert found.quality.verdict == Verdict.DO_NOT_USE
