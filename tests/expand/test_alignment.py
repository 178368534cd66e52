"""Gross faults of the geometry are told, and named; clean scans raise no doubt."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from expand.apparatus import JITTER_M, Kind, heard
from scanned import AIR, make_spectra, noisy

from fieldproc.expand import expand, mend
from fieldproc.expand.alignment import geometry_doubts
from fieldproc.records import Spectra, Verdict
from fieldproc.settings import Settings
from fieldproc.simulate.scans import cylinder_scan, sphere_scan
from fieldproc.simulate.sources import Monopole, MonopoleCluster

SETTINGS = Settings()
# Third octaves, 160 to 800 Hz: kr from 1.2 to 6 at the nearest points.
FREQUENCY_HZ = 1000.0 * 2.0 ** (np.arange(-8, 0) / 3.0)
KINDS: tuple[Kind, ...] = ("rings", "irregular", "three")
# Each fault in three scans, every one on another kind; all of them, and more, are slow.
CASES = [
    *((kind, seed) for seed, kind in enumerate(KINDS)),
    *(pytest.param(kind, seed, marks=pytest.mark.slow) for kind in KINDS for seed in range(3, 10)),
]


@cache
def scan(kind: Kind, gap_m: float = 0.05) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Small scans: positions, surfaces and what is heard there."""
    if kind == "rings":
        positions_m, surface = cylinder_scan(500, 0.40, 0.42, gap_m=gap_m, azimuths=18)
    elif kind == "irregular":
        positions_m, surface = sphere_scan(360, 0.42, gap_m=gap_m, grid="spiral")
    else:
        positions_m, surface = sphere_scan(540, 0.42, gap_m=gap_m, surfaces=3)
    return positions_m, surface, heard(positions_m, frequency_hz=FREQUENCY_HZ)


def clean(kind: Kind, seed: int, gap_m: float = 0.05) -> Spectra:
    """Places off by more than they are elsewhere, which stands for the change of the field there, too."""
    positions_m, surface, pressure_pa = scan(kind, gap_m)
    generator = np.random.default_rng(seed)
    off_m = JITTER_M * generator.standard_normal(positions_m.shape)
    return make_spectra(positions_m + off_m, FREQUENCY_HZ, noisy(pressure_pa, -60.0, generator), surface)


def moved(spectra: Spectra, by: np.ndarray, surface: int = 1) -> Spectra:
    """One surface stated where a matrix takes it."""
    own = spectra.surface == surface
    return replace(spectra, positions_m=np.where(own[:, None], spectra.positions_m @ by.T, spectra.positions_m))


def turned(spectra: Spectra, angle_deg: float) -> Spectra:
    cos, sin = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    return moved(spectra, np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]]))


def swapped(spectra: Spectra) -> Spectra:
    """The places of two surfaces exchanged, point by point."""
    inner, outer = (np.flatnonzero(spectra.surface == number) for number in (0, 1))
    positions_m = spectra.positions_m.copy()
    positions_m[inner], positions_m[outer] = spectra.positions_m[outer], spectra.positions_m[inner]
    return replace(spectra, positions_m=positions_m)


@pytest.mark.parametrize("kind", KINDS)
def test_clean_scans_raise_no_doubt(kind: Kind) -> None:
    for seed in range(20):
        gap_m = (0.05, 0.10, 0.03)[seed % 3]
        assert geometry_doubts(clean(kind, seed, gap_m), SETTINGS) == ()


@pytest.mark.parametrize(("kind", "seed"), CASES)
def test_a_mirrored_surface_is_named(kind: Kind, seed: int) -> None:
    whole = clean(kind, seed)
    for axis, words in enumerate(("front to back (x)", "left to right (y)", "upside down (z)")):
        (told,) = geometry_doubts(moved(whole, np.diag(np.where(np.arange(3) == axis, -1.0, 1.0))), SETTINGS)
        assert f"seems mirrored {words}" in told
        # of two surfaces nothing tells which, of three the one that is at odds with both others
        assert told.startswith("surface 1 " if kind == "three" else "one of surfaces 0 and 1 ")


@pytest.mark.parametrize(("kind", "seed"), CASES)
def test_a_turned_surface_is_named(kind: Kind, seed: int) -> None:
    whole = clean(kind, seed)
    for angle_deg in (10.0, -20.0, 45.0, 90.0):
        (told,) = geometry_doubts(turned(whole, angle_deg), SETTINGS)
        assert "turned about the vertical by" in told
        # single frequencies scatter by 5 degrees: what the room does to the two surfaces
        assert abs(float(told.split(" degrees")[0].split()[-1]) - abs(angle_deg)) <= 3.0


@pytest.mark.parametrize(("kind", "seed"), CASES)
def test_swapped_surfaces_are_named(kind: Kind, seed: int) -> None:
    (told,) = geometry_doubts(swapped(clean(kind, seed)), SETTINGS)
    assert told.startswith("surfaces 0 and 1 seem to be swapped")


@pytest.mark.parametrize(("kind", "seed"), CASES)
def test_a_wrong_unit_is_named(kind: Kind, seed: int) -> None:
    whole = clean(kind, seed)
    for factor, words in (
        (1e-3, "millimetres are stated for what is in metres"),
        (0.1, "millimetres are stated for what is in centimetres"),
        (1 / 2.54, "centimetres are stated for what is in inches"),
        (1 / 0.3048, "metres are stated for what is in feet"),
        (10.0, "centimetres are stated for what is in millimetres"),
    ):
        (told,) = geometry_doubts(replace(whole, positions_m=factor * whole.positions_m), SETTINGS)
        assert words in told


def test_what_has_no_sides_can_not_be_mirrored() -> None:
    """A monopole in the middle without a room: nothing contradicts anything, so nothing is named."""
    positions_m, surface, _ = scan("rings")
    source = MonopoleCluster((Monopole((0.0, 0.0, 0.0)),), 1e-4)
    pressure_pa = noisy(source.pressure(FREQUENCY_HZ, positions_m, AIR), -60.0, np.random.default_rng(0))
    whole = make_spectra(positions_m, FREQUENCY_HZ, pressure_pa, surface)
    assert geometry_doubts(moved(whole, np.diag([1.0, -1.0, 1.0])), SETTINGS) == ()
    assert geometry_doubts(turned(whole, 45.0), SETTINGS) == ()


def test_bad_points_and_missing_numbers_neither_raise_a_doubt_nor_hide_a_fault() -> None:
    whole = clean("rings", 0)
    pressure_pa = whole.pressure_pa.copy()
    pressure_pa[:, :, 10], pressure_pa[:, :, 300], pressure_pa[:, :, 400] = np.nan, 0.0, -pressure_pa[:, :, 400]
    spoilt = replace(whole, pressure_pa=pressure_pa)
    assert geometry_doubts(spoilt, SETTINGS) == ()
    assert "mirrored left to right" in geometry_doubts(moved(spoilt, np.diag([1.0, -1.0, 1.0])), SETTINGS)[0]


def test_surfaces_that_are_not_named_are_not_compared() -> None:
    whole = swapped(clean("rings", 0))
    assert geometry_doubts(replace(whole, surface=np.full(len(whole.surface), -1)), SETTINGS) == ()


def test_a_doubted_scan_is_not_mended_and_never_good() -> None:
    """On two spheres the waves explain a mirrored surface to the noise; nothing must be put right by it."""
    wrong = moved(clean("irregular", 0), np.diag([1.0, -1.0, 1.0]))
    mended = mend(wrong, SETTINGS)
    np.testing.assert_array_equal(mended.pressure_pa, wrong.pressure_pa)
    assert mended.doubts == geometry_doubts(wrong, SETTINGS)
    assert mended.notices[-1] == mended.doubts[0]
    expansion = expand(mended, SETTINGS)
    assert expansion.quality.leave_one_out_db.min() < -50.0
    assert (expansion.quality.verdict >= Verdict.CAUTION).all()
