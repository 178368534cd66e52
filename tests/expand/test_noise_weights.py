"""Points that are not equally noisy: weights, and what they bring."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from condition.test_noise import LOUD_DB, QUIET_DB, levels_db, noisy_session, quiet_session
from scanned import make_spectra, relative_error_db

from fieldproc.condition import condition
from fieldproc.conventions import polar_directions
from fieldproc.errors import NumericalError
from fieldproc.expand import expand
from fieldproc.expand.noise_weights import noise_weights
from fieldproc.extrapolate import far_field_pressure
from fieldproc.records import ReferenceAxis, Spectra
from fieldproc.settings import Settings, SpectraSettings

FREQUENCY_HZ = np.array([100.0, 200.0, 400.0])


def spectra_of(noise_pa: np.ndarray | None, **stated: object) -> Spectra:
    """Eight points of one channel."""
    positions_m = np.random.default_rng(1).normal(size=(8, 3))
    return make_spectra(positions_m, FREQUENCY_HZ, np.ones((3, 8), dtype=np.complex128), noise_pa=noise_pa, **stated)


def test_a_point_counts_by_one_over_its_noise() -> None:
    relative = np.array([1.0, 1.0, 2.0, 2.0, 4.0, 4.0, 8.0, 8.0])
    # a spectrum of noise that all points share makes no difference
    noise_pa = np.array([1e-3, 1e-2, 1e-5])[:, None, None] * relative
    weights = noise_weights(spectra_of(noise_pa))
    assert weights is not None
    np.testing.assert_allclose(weights[0] / weights, relative, rtol=1e-12)
    np.testing.assert_allclose(np.mean(weights**2), 1.0, rtol=1e-12)


def test_a_dead_quiet_point_does_not_rule_and_a_deafening_one_is_not_lost() -> None:
    noise_pa = np.tile(np.array([1e-9, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1e9]), (3, 1, 1))
    weights = noise_weights(spectra_of(noise_pa))
    assert weights is not None
    # 30 dB either way
    np.testing.assert_allclose(20 * np.log10(weights[[0, -1]] / weights[1]), [30.0, -30.0], rtol=1e-9)


def test_points_that_are_nearly_alike_count_alike() -> None:
    """Weights that bring less than 1 dB are not worth a fit that is no longer one on rings."""
    alike = np.random.default_rng(2).lognormal(0.0, 0.1, (1, 1, 8)) * np.ones((3, 1, 1))
    assert noise_weights(spectra_of(alike)) is None


def test_frequencies_without_data_do_not_count() -> None:
    noise_pa = np.tile(np.array([1.0] * 4 + [5.0] * 4), (3, 1, 1))
    noise_pa[1] = np.nan
    weights = noise_weights(spectra_of(noise_pa, usable=np.array([True, False, True])))
    assert weights is not None
    np.testing.assert_allclose(weights[0] / weights[-1], 5.0, rtol=1e-12)


def test_unknown_noise_is_refused() -> None:
    with pytest.raises(NumericalError, match=r'noise of the points is not known, .*point_weights = "equal"'):
        noise_weights(spectra_of(None))


def test_half_of_the_points_20_db_noisier() -> None:
    """Against a scan without noise: noise power of a mean falls by (1 + 100) / 2 times (1 + 1 / 100) / 2, 14 dB."""
    grid = SpectraSettings(lowest_hz=150.0, per_octave=6, count=18)
    settings = Settings.model_validate({"orders": {"outgoing": 4, "regular": 2}, "spectra": grid})

    def far_field(session: object, point_weights: str) -> np.ndarray:
        expansion = settings.expansion.model_copy(update={"point_weights": point_weights})
        chosen = settings.model_copy(update={"expansion": expansion})
        found = expand(condition(session, grid), chosen)  # type: ignore[arg-type]
        return far_field_pressure(found, ReferenceAxis(), polar_directions())[:, 0]

    clean = far_field(quiet_session(), "equal")
    noisy = noisy_session(levels_db() + 20.0)
    errors_db = {name: relative_error_db(far_field(noisy, name), clean) for name in ("equal", "noise")}
    assert LOUD_DB - QUIET_DB == 20.0
    gained = errors_db["equal"] - errors_db["noise"]
    # each error is one draw of the few coefficients that are least well determined, 18 draws scatter by 1 dB
    np.testing.assert_allclose(gained.mean(), 14.0, rtol=0, atol=2.5)
    assert np.all(gained > 0.0)


def test_the_session_keeps_what_the_weights_came_from() -> None:
    spectra = condition(noisy_session(levels_db()), SpectraSettings(count=40, per_octave=4))
    weights = noise_weights(spectra)
    assert weights is not None
    ratio_db = 20 * np.log10(np.median(weights[::2]) / np.median(weights[1::2]))
    np.testing.assert_allclose(ratio_db, 20.0, rtol=0, atol=1.0)
    assert noise_weights(replace(spectra, noise_pa=np.ones_like(spectra.noise_pa))) is None
