"""Ripples of the room in the loudspeaker's waves: none in clean scans, nothing else where one is 0.1 dB off."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from expand.apparatus import JITTER_M, heard
from expand.crafted import make_expansion
from expand.plain_waves import complex_normal
from scanned import make_spectra, noisy

from fieldproc.expand import expand
from fieldproc.expand.calibration import calibrate
from fieldproc.expand.leakage import leakage
from fieldproc.records import Expansion, Spectra, Verdict
from fieldproc.settings import Settings, UncertaintySettings
from fieldproc.simulate.scans import cylinder_scan, sphere_scan

SETTINGS = Settings(uncertainty=UncertaintySettings(enabled=False))
# The usual 24 an octave, two octaves.
FREQUENCY_HZ = 62.5 * 2.0 ** (np.arange(48) / 24.0)
STEP_M = 1e-3


@cache
def scene(kind: str) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Positions, surfaces, the sound there (frequency, point) and its gradient, xyz first."""
    if kind == "rings":
        positions_m, surface = cylinder_scan(400, 0.40, 0.42, azimuths=18)
    else:
        positions_m, surface = sphere_scan(400, 0.42, gap_m=0.1)
    here = heard(positions_m, frequency_hz=FREQUENCY_HZ)
    ahead = [heard(positions_m + STEP_M * axis, frequency_hz=FREQUENCY_HZ) for axis in np.eye(3)]
    return positions_m, surface, here, (np.array(ahead) - here) / STEP_M


def scanned(kind: str, seed: int, gain_db: float) -> Spectra:
    """Places off by 0.2 mm, the field there to first order; noise at -60 dB; the outer surface too loud."""
    positions_m, surface, here, gradient = scene(kind)
    generator = np.random.default_rng(seed)
    off_m = JITTER_M * generator.standard_normal(positions_m.shape)
    pressure_pa = noisy(here + np.einsum("xfp,px->fp", gradient, off_m), -60.0, generator)
    return make_spectra(
        positions_m, FREQUENCY_HZ, pressure_pa * np.where(surface == 1, 10 ** (gain_db / 20), 1), surface
    )


def indices(kind: str, gain_db: float) -> np.ndarray:
    """Of 20 scans, both octaves each, (octave, scan): one expansion, whose channels they are."""
    scans = [scanned(kind, seed, gain_db) for seed in range(20)]
    channels = np.concatenate([one.pressure_pa for one in scans], axis=1)
    together = replace(scans[0], pressure_pa=channels, channel_names=tuple(map(str, range(20))))
    measures = expand(together, SETTINGS).measures
    assert measures is not None
    octaves = measures.leakage.reshape(2, 24, 20)
    np.testing.assert_array_equal(octaves, octaves[:, :1] * np.ones((1, 24, 1)))
    return octaves[:, 0]


@pytest.mark.parametrize("kind", ["rings", "spheres"])
def test_clean_scans_and_a_tenth_of_a_decibel_do_not_overlap(kind: str) -> None:
    clean, wrong = indices(kind, 0.0), indices(kind, 0.1)
    # chance is one over the 20 frequencies of an octave that nothing smooth takes, and exponential about that
    assert clean.max() < 0.45
    assert np.median(clean) < 0.1
    # the rest is noise and places: a few percent of the ripples in the lower octave, a fifth in the upper
    assert wrong.min() > 0.7


def test_what_leaks_is_told_and_doubted() -> None:
    told = expand(scanned("rings", 3, 0.1), SETTINGS)
    (notice,) = [one for one in told.notices if "leaks" in one]
    assert "from 62.5 to" in notice
    # below, where no body as large as the assumed source scatters as much
    small_hz = 0.5 * told.sound_speed_m_per_s / (2 * np.pi * told.source_radius_m)
    low = small_hz >= FREQUENCY_HZ
    assert low.sum() > 12
    assert (told.quality.verdict[low] == Verdict.CAUTION).all()
    assert (told.quality.verdict[~low] == Verdict.GOOD).all()
    small = expand(scanned("rings", 3, 0.02), SETTINGS)
    assert any("leaks" in one for one in small.notices)
    clean = expand(scanned("rings", 3, 0.0), SETTINGS)
    assert not any("leaks" in one for one in clean.notices)
    assert (clean.quality.verdict == Verdict.GOOD).all()


def test_a_gain_put_right_leaks_no_more() -> None:
    """Estimated over 150 to 250 Hz alone, which leaves 0.005 dB."""
    done = calibrate(scanned("rings", 3, 0.1), SETTINGS)
    assert done.errors[0].applied
    before, after = (expand(one, SETTINGS).measures for one in (scanned("rings", 3, 0.1), done.spectra))
    assert before is not None
    assert after is not None
    assert (after.leakage_db < before.leakage_db - 20.0).all()


def crafted(leak: float, ripple: float = 0.0, seed: int = 0) -> Expansion:
    """Smooth outgoing waves plus a part of the regular ones, and ripples of their own."""
    generator = np.random.default_rng(seed)
    k = 2 * np.pi * FREQUENCY_HZ[:, None, None] / 343.2
    regular = complex_normal(generator, 48, 1, 4)
    # over k, which is what radiates, a straight line
    smooth = k * (1.0 + k) * complex_normal(generator, 1, 1, 4)
    outgoing = smooth + leak * regular + ripple * complex_normal(generator, 48, 1, 4)
    return make_expansion(FREQUENCY_HZ, outgoing, regular)


def test_the_level_is_that_of_the_part_explained() -> None:
    # but for a ten-thousandth that the whole grows by
    small, large = (leakage(crafted(leak))[1] for leak in (1e-3, 1e-2))
    np.testing.assert_allclose(large - small, 20.0, rtol=0, atol=0.1)
    np.testing.assert_array_equal(leakage(crafted(0.0))[0], 0.0)


def test_ripples_of_the_loudspeaker_are_not_the_rooms() -> None:
    share, _ = leakage(crafted(0.0, ripple=0.01))
    # one over 20 frequencies by chance, the mean of four coefficients
    assert (share < 0.2).all()


def test_nothing_is_said_where_nothing_can_be() -> None:
    expansion = crafted(0.01)
    alone = replace(expansion, regular_order=np.full(48, -1))
    coarse = make_expansion(FREQUENCY_HZ[::6], expansion.outgoing[::6], expansion.regular[::6])
    for one in (alone, coarse):
        assert all(np.isnan(values).all() for values in leakage(one))
