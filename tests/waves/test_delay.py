"""The common delay of a spectrum, whatever its level, its noise and its gaps."""

from __future__ import annotations

import numpy as np
import pytest

from fieldproc.waves.delay import carried_s, common_delay_s

LOG_HZ = 20.0 * 2.0 ** (np.arange(240) / 24.0)
EVEN_HZ = np.arange(1.0, 401.0) * 50.0


def delayed(frequency_hz: np.ndarray, delay_s: float) -> np.ndarray:
    return np.exp(-2j * np.pi * frequency_hz * delay_s)


@pytest.mark.parametrize("delay_s", [-0.3, -1e-3, 0.0, 7.7e-5, 0.00431, 0.45])
def test_a_pure_delay_on_a_logarithmic_grid(delay_s: float) -> None:
    # a ten-thousandth of the trial step, 0.3 ms
    assert common_delay_s(LOG_HZ, delayed(LOG_HZ, delay_s)) == pytest.approx(delay_s, abs=3e-8)


@pytest.mark.parametrize("delay_s", [-9e-3, 0.0, 9e-3])
def test_an_even_grid_knows_delays_up_to_half_of_one_over_its_step(delay_s: float) -> None:
    assert common_delay_s(EVEN_HZ, delayed(EVEN_HZ, delay_s)) == pytest.approx(delay_s, abs=1e-6)
    # later ones are taken for earlier ones, 1 / step apart
    found = common_delay_s(EVEN_HZ, delayed(EVEN_HZ, delay_s + 0.02))
    assert found == pytest.approx(delay_s, abs=1e-6)


def test_a_loudspeaker_that_falls_off_by_80_db_with_noise_and_gaps() -> None:
    rng = np.random.default_rng(3)
    s = 1j * LOG_HZ / 2000.0
    spectrum = delayed(LOG_HZ, 0.0123) / (1.0 + s) ** 4
    spectrum += 1e-4 * (rng.normal(size=240) + 1j * rng.normal(size=240))
    spectrum[rng.integers(0, 240, 20)] = np.nan
    spectrum[17] = 0.0
    # four poles at 2 kHz are late by 0.3 ms below them and by nothing above
    assert common_delay_s(LOG_HZ, spectrum) == pytest.approx(0.0123, abs=1.5e-4)


@pytest.mark.parametrize("about_s", [-2e-3, 0.0, 9.9e-3])
def test_a_delay_that_is_known_roughly(about_s: float) -> None:
    delay_s = 0.00431
    assert common_delay_s(LOG_HZ, delayed(LOG_HZ, delay_s), about_s) == pytest.approx(delay_s, abs=3e-8)


def test_nothing_has_no_delay() -> None:
    assert common_delay_s(LOG_HZ, np.full(240, np.nan + 0j)) == 0.0
    alone = np.full(240, np.nan + 0j)
    alone[::2] = delayed(LOG_HZ, 0.01)[::2]
    assert common_delay_s(LOG_HZ, alone) == 0.0


def test_what_a_grid_carries() -> None:
    np.testing.assert_allclose(carried_s(EVEN_HZ), 0.01, rtol=1e-12)
    # (2^(1/24) - 2^(-1/24)) / 2 of the frequency: 17.3 periods
    np.testing.assert_allclose((carried_s(LOG_HZ) * LOG_HZ)[1:-1], 17.3, rtol=2e-3)
