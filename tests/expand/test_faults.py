"""Faults of the apparatus are flagged each time: put right and said, or told and never called good.

Equal rings of two cylinders, 160 to 800 Hz. Two spheres 10 cm apart hold less: there the course over frequency tells
(``test_leakage.py``).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from expand.apparatus import JITTER_M, heard
from expand.test_drift import speed_at
from scanned import AIR, make_spectra, noisy
from threadpoolctl import threadpool_limits

from fieldproc.expand import mend
from fieldproc.expand.surfaces import outward_normals
from fieldproc.records import Spectra
from fieldproc.settings import MendingSettings, Settings, UncertaintySettings
from fieldproc.simulate.medium import Medium
from fieldproc.simulate.scans import cylinder_scan


@pytest.fixture(autouse=True)
def one_thread():
    """The matrix library as the frequency loop holds it."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield


SETTINGS = Settings(uncertainty=UncertaintySettings(enabled=False), mending=MendingSettings(bad_points=False))
# Where nothing drifts, it need not be looked for.
SURFACES = SETTINGS.model_copy(update={"mending": MendingSettings(bad_points=False, drift=False)})
FREQUENCY_HZ = 1000.0 * 2.0 ** (np.arange(-8, 0) / 3.0)
SEEDS = [*range(3), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(3, 20))]
POSITIONS_M, SURFACE = cylinder_scan(500, 0.40, 0.42, gap_m=0.05, azimuths=18)
TIME_S = 3.0 * np.arange(len(POSITIONS_M))


def scanned(seed: int, *, offset_m: float = 0.0, kelvin: float = 0.0, drift_db: float = 0.0) -> Spectra:
    """Surface after surface: the outer one further out, warming, or growing louder."""
    generator = np.random.default_rng(seed)
    true_m = POSITIONS_M + JITTER_M * generator.standard_normal(POSITIONS_M.shape)
    outer = SURFACE == 1
    true_m[outer] += offset_m * outward_normals(POSITIONS_M, SURFACE, None)[outer]
    pressure_pa = np.empty((len(FREQUENCY_HZ), len(true_m)), dtype=np.complex128)
    for part in np.array_split(np.arange(len(true_m)), 12 if kelvin else 1):
        warm = kelvin * (TIME_S[part].mean() / TIME_S[-1] - 0.5)
        air = Medium(float(speed_at(np.array(warm))), AIR.density_kg_per_m3)
        pressure_pa[:, part] = heard(true_m[part], air, frequency_hz=FREQUENCY_HZ)
    louder = 10 ** (drift_db * TIME_S / TIME_S[-1] / 20)
    return make_spectra(
        POSITIONS_M, FREQUENCY_HZ, noisy(pressure_pa * louder, -60.0, generator), SURFACE, measured_at_s=TIME_S
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_a_clean_scan_raises_no_flag(seed: int) -> None:
    mended = mend(scanned(seed), SETTINGS)
    assert mended.notices == ()
    assert not mended.drifted
    assert mended.doubts == ()


@pytest.mark.parametrize("gain_db", [0.02, 0.1])
@pytest.mark.parametrize("seed", SEEDS)
def test_a_gain(seed: int, gain_db: float) -> None:
    clean = scanned(seed)
    wrong = replace(clean, pressure_pa=clean.pressure_pa * np.where(SURFACE == 1, 10 ** (gain_db / 20), 1.0))
    mended = mend(wrong, SURFACES)
    (told,) = [one for one in mended.notices if one.startswith("gain of surface 1 +")]
    assert "put right" in told
    # four standard errors and more, here of 0.001 to 0.002 dB
    np.testing.assert_allclose(float(told.split()[4]), gain_db, rtol=0, atol=0.009)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_radius(seed: int) -> None:
    told = mend(scanned(seed, offset_m=5e-4), SURFACES).notices
    (offset,) = [one for one in told if one.startswith("offset of surface 1 +")]
    # normals at the rim of a cylinder lie between those of cap and side
    np.testing.assert_allclose(float(offset.split()[4]), 0.5, rtol=0, atol=0.25)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_kelvin(seed: int) -> None:
    mended = mend(scanned(seed, kelvin=1.0), SETTINGS)
    assert mended.drifted
    assert any(one.startswith("the sound of the room changed") for one in mended.notices)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_gain_that_drifts(seed: int) -> None:
    """Surface after surface, most of it is a gain of the outer one: half of it at least is put right."""
    notices = mend(scanned(seed, drift_db=0.1), SETTINGS).notices
    assert any(one.startswith(("gain of surface 1 +0.0", "gain drifted")) for one in notices)
