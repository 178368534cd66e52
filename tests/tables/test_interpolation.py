"""Far fields in directions that they do not hold: closed forms, sides of the data, caps, and what is no field."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import j1, sph_harm_y

from fieldproc.conventions import (
    Complexes,
    Floats,
    directions_from_angles,
    fine_polar_directions,
    polar_directions,
)
from fieldproc.records import FarField, Table
from fieldproc.settings import TableSettings
from fieldproc.simulate.medium import Medium
from fieldproc.simulate.sphere_caps import Cap, SphereCaps
from fieldproc.tables import filling_notices, interpolated, tabulate
from fieldproc.tables.interpolation import LEVEL_LIMIT_DB

FREQUENCY_HZ = np.array([100.0, 1000.0, 4000.0])
RNG = np.random.default_rng(8)
DEGREES = (2, 6, 9)
COEFFICIENTS = [RNG.normal(size=(n + 1) ** 2) + 1j * RNG.normal(size=(n + 1) ** 2) for n in DEGREES]
AIR = Medium(343.2, 1.204)


def gauss(degree: int, turned_deg: float = 3.0) -> Floats:
    """Gauss-Legendre rings about z; no standard direction is on them, but for the front where it is asked to be."""
    heights, _ = np.polynomial.legendre.leggauss(degree + 1)
    azimuth = 360.0 * np.arange(2 * degree + 2) / (2 * degree + 2) + turned_deg
    return directions_from_angles(*np.meshgrid(azimuth, np.degrees(np.arcsin(heights)))).reshape(-1, 3)


def about_z(step_deg: int) -> Floats:
    """Every ``step_deg`` of azimuth and elevation, the poles once per azimuth, as files often have them."""
    azimuth = np.arange(0, 360, step_deg)
    return directions_from_angles(*np.meshgrid(azimuth, np.arange(-90, 91, step_deg))).reshape(-1, 3)


def closed_form(directions: Floats) -> Complexes:
    """Three frequencies, one channel: random fields of degree 2, 6 and 9."""
    theta, phi = np.arccos(np.clip(directions[:, 2], -1, 1)), np.arctan2(directions[:, 1], directions[:, 0])
    rows = []
    for degree, coefficients in zip(DEGREES, COEFFICIENTS, strict=True):
        pairs = [(n, m) for n in range(degree + 1) for m in range(-n, n + 1)]
        rows.append(coefficients @ np.stack([sph_harm_y(n, m, theta, phi) for n, m in pairs]))
    return np.stack(rows)[:, None]


def far_field(directions: Floats, pressure_pa: Complexes | None = None, **changes: object) -> FarField:
    values = closed_form(directions) if pressure_pa is None else pressure_pa
    record = FarField(
        frequency_hz=FREQUENCY_HZ[: len(values)],
        directions=directions,
        pressure_pa=values.astype(np.complex128),
        sound_power_w=np.full(values.shape[:2], np.nan),
        distance_m=np.inf,
        channel_names=("woofer", "tweeter")[: values.shape[1]],
    )
    return replace(record, **changes)  # type: ignore[arg-type]


def tables_of(record: FarField) -> dict[str, Table]:
    filled = interpolated(record, fine_polar_directions())
    return {table.name: table for table in tabulate(record, TableSettings(), {}, circles=filled)}


def exact_tables() -> dict[str, Table]:
    circles = far_field(fine_polar_directions())
    return {table.name: table for table in tabulate(circles, TableSettings(), {})}


def test_tables_are_those_of_the_closed_form() -> None:
    tables, expected = tables_of(far_field(gauss(12))), exact_tables()
    for name in ("cta2034a", "horizontal", "vertical"):
        assert tables[name].header == expected[name].header
        # of levels of the order of 100 dB; held-out errors are rounding
        np.testing.assert_allclose(tables[name].values, expected[name].values, rtol=0, atol=1e-6)
    directivity = tables["directivity"]
    for column in [name for name in expected["directivity"].header if "coverage" in name]:
        np.testing.assert_allclose(directivity.column(column), expected["directivity"].column(column), atol=1e-6)
    # Parseval: the mean square over the sphere, by Gauss's quadrature, is that of the coefficients over 4 pi
    front = np.abs(closed_form(np.array([[1.0, 0.0, 0.0]]))[:, 0, 0]) ** 2
    mean = np.array([np.sum(np.abs(c) ** 2) for c in COEFFICIENTS]) / (4 * np.pi)
    np.testing.assert_allclose(directivity.column("directivity_index_db"), 10 * np.log10(front / mean), atol=1e-6)
    assert np.all(directivity.column("interpolation_held_out_db") < -200.0)
    assert "spherical harmonics (degree " in str(tables["vertical"].facts["interpolation"])
    assert tables["vertical"].facts["missing_directions"] == 0


def test_what_is_held_is_kept_and_nothing_fitted() -> None:
    rng = np.random.default_rng(1)
    directions = np.concatenate([polar_directions(), gauss(6)])
    values = rng.normal(size=(3, 2, len(directions))) + 1j * rng.normal(size=(3, 2, len(directions)))
    filled = interpolated(far_field(directions, values), polar_directions())
    # 0 and 180 degrees stand in both planes; either copy is the nearest
    shared = np.isin(np.arange(72) % 36, (17, 35))
    np.testing.assert_array_equal(filled.far_field.pressure_pa[:, :, ~shared], values[:, :, :72][:, :, ~shared])
    assert filled.held.all()
    assert np.all(filled.degree == -1)
    assert filling_notices(filled) == ()


def test_held_directions_keep_even_what_the_fit_would_not_give_them() -> None:
    directions = gauss(12)
    wrong = closed_form(directions)
    wrong[:, :, 5] *= 3.0
    filled = interpolated(far_field(directions, wrong), np.concatenate([directions[4:7], polar_directions()]))
    np.testing.assert_array_equal(filled.far_field.pressure_pa[:, :, :3], wrong[:, :, 4:7])
    assert filled.held.tolist() == [True] * 3 + [False] * 72


def test_magnitudes_by_their_squares() -> None:
    """The square of a magnitude has twice the degree: 12 of the second row, all that the grid carries."""
    directions = gauss(12)
    record = far_field(directions, np.abs(closed_form(directions)[:2]), phase_known=False)
    tables, expected = tables_of(record), exact_tables()
    np.testing.assert_allclose(tables["cta2034a"].values, expected["cta2034a"].values[:2], rtol=0, atol=1e-6)
    for name in [name for name in expected["vertical"].header if name.startswith("level")]:
        found = tables["vertical"].column(name)
        np.testing.assert_allclose(found, expected["vertical"].column(name)[:2], rtol=0, atol=1e-6)
    assert np.isnan(tables["vertical"].column("phase_+040_deg")).all()


def test_levels_survive_phases_that_follow_no_waves() -> None:
    directions = np.concatenate([gauss(12), [[1.0, 0.0, 0.0]]])
    turns = np.exp(2j * np.pi * np.random.default_rng(2).random((2, 1, len(directions))))
    record = far_field(directions, np.abs(closed_form(directions)[:2]) * turns)
    tables, expected = tables_of(record), exact_tables()
    np.testing.assert_allclose(tables["cta2034a"].values, expected["cta2034a"].values[:2], rtol=0, atol=1e-6)
    assert np.isnan(tables["vertical"].column("phase_+040_deg")).all()
    # the front is held, phase and all
    on_axis = record.pressure_pa[:, 0, -1]
    np.testing.assert_allclose(tables["vertical"].column("phase_+000_deg"), np.degrees(np.angle(on_axis)), rtol=1e-12)
    assert "unknown" in str(tables["vertical"].facts["interpolation_phase"])


def test_noise_is_flagged_by_its_held_out_error() -> None:
    rng = np.random.default_rng(3)
    directions = about_z(10)
    noise = rng.normal(size=(3, 1, len(directions))) + 1j * rng.normal(size=(3, 1, len(directions)))
    filled = interpolated(far_field(directions, noise), fine_polar_directions())
    # magnitudes of complex noise scatter by sqrt(1 - pi/4) of their rms, -6.7 dB, and nothing predicts them; some
    # degree of some side comes out a little better by chance
    assert np.all(np.abs(filled.held_out_db + 6.7) < 0.5)
    assert np.all(filled.held_out_db > LEVEL_LIMIT_DB)
    assert not filled.phase_known.any()
    assert any("3 of 3 frequencies" in notice for notice in filling_notices(filled))


def test_the_stated_error_is_that_in_other_directions() -> None:
    rng = np.random.default_rng(4)
    directions, others = gauss(14), gauss(9, turned_deg=7.0)
    noise = 0.03 * (rng.normal(size=(3, 1, len(directions))) + 1j * rng.normal(size=(3, 1, len(directions))))
    filled = interpolated(far_field(directions, closed_form(directions) + noise), others)
    true = np.abs(closed_form(others))
    error = np.sqrt(np.mean((np.abs(filled.far_field.pressure_pa) - true) ** 2, axis=2))
    error_db = 20 * np.log10(error / np.sqrt(np.mean(true**2, axis=2)))
    # a left-out value brings its own noise as well, so what is stated is on the safe side; fits spread 1 dB
    assert np.all(error_db < filled.held_out_db + 1.0)
    assert np.all(error_db > filled.held_out_db - 15.0)


def capped(step_deg: int = 10) -> Floats:
    """Elevations from -40 up: a cap of 50 degrees without a direction."""
    directions = about_z(step_deg)
    return directions[directions[:, 2] > np.sin(np.radians(-42.0))]


def test_an_empty_cap_stays_empty() -> None:
    filled = interpolated(far_field(capped()), fine_polar_directions())
    elevation_deg = np.degrees(np.arcsin(np.clip(fine_polar_directions()[:, 2], -1, 1)))
    values = filled.far_field.pressure_pa[:, 0]
    # one and a half of 9.8 degrees, usual between neighbours, below -40
    assert np.isnan(values[:, elevation_deg < -55.1]).all()
    assert np.isfinite(values[:, elevation_deg > -54.1]).all()
    assert any("cap that the file leaves empty" in notice for notice in filling_notices(filled))
    found = tabulate(far_field(capped()), TableSettings(), {}, circles=filled)
    tables = {table.name: table for table in found}
    assert np.isnan(tables["vertical"].column("level_-060_db")).all()
    assert np.isfinite(tables["vertical"].column("level_-050_db")).all()
    assert np.isfinite(tables["horizontal"].values).all()
    # -60 to -120 degrees of the vertical plane
    assert tables["vertical"].facts["missing_directions"] == 7
    assert np.isnan(tables["directivity"].column("directivity_index_db")).all()


@pytest.mark.parametrize("relative", [0.0, 0.01])
def test_a_cap_is_no_reason_to_swing_beside_it(relative: float) -> None:
    """With and without noise of -40 dB: ridges hold degrees that the rest of the sphere carries."""
    rng = np.random.default_rng(6)
    values = closed_form(capped())
    size = relative * np.sqrt(np.mean(np.abs(values) ** 2, axis=2, keepdims=True) / 2)
    noise = size * (rng.normal(size=values.shape) + 1j * rng.normal(size=values.shape))
    filled = interpolated(far_field(capped(), values + noise), fine_polar_directions())
    within = fine_polar_directions()[:, 2] > np.sin(np.radians(-40.0))
    error = np.abs(filled.far_field.pressure_pa - closed_form(fine_polar_directions()))[:, 0, within]
    rms = np.sqrt(np.mean(np.abs(values) ** 2, axis=2))[:, 0]
    # degree 9 is not determined without the cap, and the smallest ridge leaves -53 dB; noise is smoothed by the fit
    assert np.all(20 * np.log10(np.sqrt(np.mean(error**2, axis=1)) / rms + 1e-20) < (-40.0 if relative else -50.0))
    assert np.all(20 * np.log10(error.max(axis=1) / rms + 1e-20) < (-30.0 if relative else -40.0))
    if not relative:
        # rounding, where the rest of the sphere determines all degrees
        assert np.all(error[:2] < 1e-9)


def test_rows_without_data_and_directions_that_lack_one() -> None:
    directions = gauss(12)
    values = closed_form(directions)
    values[1] = np.nan
    values[2, 0, 7] = np.nan
    filled = interpolated(far_field(directions, values), polar_directions())
    assert np.isnan(filled.far_field.pressure_pa[1]).all()
    expected = closed_form(polar_directions())
    np.testing.assert_allclose(filled.far_field.pressure_pa[[0, 2]], expected[[0, 2]], rtol=0, atol=1e-9)
    assert filled.degree[:, 0].tolist()[1] == -1
    assert np.isnan(filled.held_out_db[1, 0])


def test_nothing_to_fit_stays_nothing() -> None:
    directions = gauss(12)
    silent = interpolated(far_field(directions, np.zeros((3, 1, len(directions)))), polar_directions())
    assert np.all(silent.far_field.pressure_pa == 0)
    empty = np.full((3, 1, len(directions)), np.nan, dtype=np.complex128)
    assert np.isnan(interpolated(far_field(directions, empty), polar_directions()).far_field.pressure_pa).all()
    # every direction lacks one of the frequencies
    gappy = closed_form(directions)
    gappy[0, 0, ::2] = gappy[1, 0, 1::2] = np.nan
    assert np.isnan(interpolated(far_field(directions, gappy), polar_directions()).far_field.pressure_pa).all()


def test_channels_choose_for_themselves() -> None:
    directions = gauss(12)
    smooth = closed_form(directions)
    rough = np.random.default_rng(7).normal(size=smooth.shape) + 0j
    filled = interpolated(far_field(directions, np.concatenate([smooth, rough], axis=1)), polar_directions())
    assert np.all(filled.held_out_db[:, 0] < -200.0)
    assert np.all(filled.held_out_db[:, 1] > LEVEL_LIMIT_DB)
    assert filled.phase_known.tolist() == [[True, False]] * 3


def test_one_direction_carries_nothing() -> None:
    filled = interpolated(far_field(gauss(12)[:1]), polar_directions())
    assert np.isnan(filled.far_field.pressure_pa).all()
    assert np.all(filled.degree == -1)


# 2.2117850 = ka sin(half the angle); ka: index re the full sphere, which the mirror image behind the wall lowers by
# 3.0103 dB; full angle at -6 dB. Worked from D = 2 J1(x)/x and its closed form, J1(2 ka).
PISTON = {2.5: (7.42405, 124.433), 3.0: (9.15929, 94.997), 5.0: (14.01733, 52.509)}


def test_a_piston_by_way_of_its_waves() -> None:
    directions = gauss(16)
    x = np.array(list(PISTON))[:, None] * np.hypot(directions[:, 1], directions[:, 2])
    record = far_field(directions, (2 * j1(x) / x)[:, None])
    table = tables_of(record)["directivity"]
    index_db, angle_deg = np.array(list(PISTON.values())).T
    # half a unit of the last digit printed
    np.testing.assert_allclose(table.column("directivity_index_db"), index_db - 3.0103, rtol=0, atol=6e-5)
    for plane in ("horizontal", "vertical"):
        np.testing.assert_allclose(table.column(f"{plane}_coverage_deg"), angle_deg, rtol=0, atol=6e-4)


# Point source on a rigid sphere, and axial cap of 30 degrees in it: on axis re a monopole of equal volume velocity,
# and directivity index, dB. Beranek & Mellow 2012, section 12.5: their series, worked in double precision.
SPHERES = {
    "point source": ((1.0, 3.0, 5.0), 0.0, (3.03595, 4.98081, 5.45575), (2.39895, 3.00193, 3.09237)),
    "cap": ((1.0, 2.0, 4.0), 30.0, (2.8620, 4.1861, 5.0343), (2.6010, 3.7064, 6.2157)),
}


@pytest.mark.parametrize("name", SPHERES)
def test_sources_in_a_rigid_sphere(name: str) -> None:
    k_radius, half_angle_deg, on_axis_db, index_db = SPHERES[name]
    radius_m = 0.1
    cap = Cap((1.0, 0.0, 0.0), np.radians(half_angle_deg), 4 * np.pi / AIR.density_kg_per_m3, "axial")
    hertz = np.array(k_radius) / radius_m * AIR.sound_speed_m_per_s / (2 * np.pi)
    directions = gauss(14)
    values = SphereCaps(radius_m, (cap,)).far_field(hertz, directions, np.zeros(3), AIR)
    air = {"air_density_kg_per_m3": AIR.density_kg_per_m3, "sound_speed_m_per_s": AIR.sound_speed_m_per_s}
    tables = tables_of(far_field(directions, values[:, None], frequency_hz=hertz, **air))
    found_db = tables["cta2034a"].column("on_axis_db") + 20 * np.log10(20e-6)
    # four decimals printed
    np.testing.assert_allclose(found_db, on_axis_db, rtol=0, atol=6e-5)
    np.testing.assert_allclose(tables["directivity"].column("directivity_index_db"), index_db, rtol=0, atol=6e-5)
    # watts, where the air is known: 4 pi <p^2> / (rho c)
    level = np.array(on_axis_db) - np.array(index_db)
    power_db = level + 10 * np.log10(4 * np.pi / (1.204 * 343.2) / 1e-12)
    np.testing.assert_allclose(tables["directivity"].column("sound_power_db"), power_db, rtol=0, atol=2e-4)
