"""Measures of a finished expansion, against closed forms and made-up coefficients."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from expand.apparatus import heard
from expand.crafted import make_expansion
from expand.plain_waves import complex_normal
from scanned import AIR, make_spectra, noisy

from fieldproc.conventions import wavenumber
from fieldproc.expand import expand
from fieldproc.expand.geometry import source_reach
from fieldproc.expand.hold_out import surface_hold_out
from fieldproc.expand.measures import last_degrees, power_closure, with_measures
from fieldproc.expand.order import automatic_orders
from fieldproc.expand.solver import Solver
from fieldproc.records import Deviations, Expansion, Measures, Spectra
from fieldproc.settings import ExpansionSettings, Settings, UncertaintySettings
from fieldproc.simulate.scans import cylinder_scan, sphere_scan
from fieldproc.simulate.sources import Monopole, MonopoleCluster

PLAIN = Settings(uncertainty=UncertaintySettings(enabled=False))
FREQUENCY_HZ = np.array([100.0, 200.0, 300.0, 400.0])


def measured(expansion: Expansion) -> Measures:
    assert expansion.measures is not None
    return expansion.measures


def unmeasured(rows: int) -> Measures:
    """Of one channel and no named surface."""
    unknown = np.full((rows, 1), np.nan)
    names = ("hold_out_db", "last_degrees_db", "clear_degree", "degree_change_db", "leakage", "leakage_db")
    return Measures(
        surface=np.zeros(0, dtype=np.int64),
        surface_residual_db=np.zeros((rows, 1, 0)),
        forbidden=np.zeros(rows, dtype=np.int64),
        power_closure=unknown,
        **dict.fromkeys(names, unknown),
    )


def test_power_of_a_monopole_before_its_image() -> None:
    """An image of half the strength at a distance d changes the power by 1 + sin(kd) / (2 kd), Waterhouse 1958."""
    away_m = 1.6
    source = MonopoleCluster((Monopole((0.0, 0.0, 0.0)), Monopole((away_m, 0.0, 0.0), 0.5)), 1e-4)
    positions_m, surface = cylinder_scan(500, 0.40, 0.42, azimuths=18)
    spectra = make_spectra(positions_m, FREQUENCY_HZ, source.pressure(FREQUENCY_HZ, positions_m, AIR), surface)
    argument = wavenumber(FREQUENCY_HZ, AIR.sound_speed_m_per_s) * away_m
    found = measured(expand(spectra, PLAIN)).power_closure[:, 0]
    # what the orders leave out of the image: -60 dB and less of the field
    np.testing.assert_allclose(found, 1.0 + 0.5 * np.sin(argument) / argument, rtol=0, atol=1e-3)


def test_power_in_the_open_is_not_asked_for() -> None:
    assert np.isnan(power_closure(make_expansion(FREQUENCY_HZ, np.ones((4, 1, 4), dtype=complex)))).all()


def test_energy_in_the_last_two_degrees() -> None:
    outgoing = np.zeros((4, 1, 16), dtype=complex)
    outgoing[:, :, 0], outgoing[:, :, 5], outgoing[:, :, 12] = 1.0, 0.1, 0.1j
    expansion = make_expansion(FREQUENCY_HZ, outgoing)
    np.testing.assert_allclose(last_degrees(expansion), 10 * np.log10(0.02 / 1.02), rtol=1e-12)
    lower = replace(expansion, outgoing=outgoing[:, :, :9], outgoing_order=np.full(4, 2))
    np.testing.assert_allclose(last_degrees(lower), 10 * np.log10(0.01 / 1.01), rtol=1e-12)


def test_degrees_against_their_noise_and_the_change_of_a_degree() -> None:
    generator = np.random.default_rng(1)
    outgoing = np.zeros((1, 1, 16), dtype=complex)
    # energies 1, 0.01, 1e-4 and none of the degrees, noise of every coefficient 1e-3 in amplitude
    outgoing[0, 0, [0, 2, 6]] = 1.0, 0.1, 0.01
    noise = 1e-3 * complex_normal(generator, 1, 200, 16)
    change = np.zeros((1, 1, 16), dtype=complex)
    change[0, 0, 3] = 0.05
    deviations = Deviations((np.concatenate([noise, change], axis=1),), (noise[:, :, :0],), 200, ("degree",))
    expansion = make_expansion(FREQUENCY_HZ[:1], outgoing, deviations=deviations, measures=unmeasured(1))
    found = measured(with_measures(expansion))
    # 1e-4 of degree two against twice 5e-6
    np.testing.assert_array_equal(found.clear_degree, [[2.0]])
    np.testing.assert_allclose(found.degree_change_db, 10 * np.log10(0.05**2 / 1.0101), rtol=1e-9)
    drowned = replace(expansion, outgoing=1e-2 * outgoing)
    np.testing.assert_array_equal(measured(with_measures(drowned)).clear_degree, [[0.0]])
    silent = replace(expansion, outgoing=1e-5 * outgoing)
    np.testing.assert_array_equal(measured(with_measures(silent)).clear_degree, [[-1.0]])


def three(gain_db: float = 0.0, surfaces: int = 3) -> Spectra:
    positions_m, surface = sphere_scan(540, 0.42, surfaces=surfaces)
    generator = np.random.default_rng(2)
    pressure_pa = noisy(heard(positions_m, frequency_hz=FREQUENCY_HZ), -60.0, generator)
    return make_spectra(
        positions_m, FREQUENCY_HZ, pressure_pa * np.where(surface == 1, 10 ** (gain_db / 20), 1.0), surface
    )


def test_a_surface_left_out() -> None:
    clean, wrong = (measured(expand(three(gain_db), PLAIN)).hold_out_db for gain_db in (0.0, 0.3))
    # between or beside two surfaces 5 cm apart the noise of -60 dB grows by less than 20 dB
    assert clean.max() < -40.0
    # 0.3 dB is -29 dB itself, where nothing amplifies it
    assert wrong.min() > -32.0
    assert np.isnan(measured(expand(three(surfaces=2), PLAIN)).hold_out_db).all()


def test_a_surface_left_out_before_the_room_answers() -> None:
    """One surface is enough for outgoing waves."""
    positions_m, surface = sphere_scan(800, 0.42)
    source = MonopoleCluster((Monopole((0.1, 0.0, 0.0)),), 1e-4)
    spectra = make_spectra(positions_m, FREQUENCY_HZ, source.pressure(FREQUENCY_HZ, positions_m, AIR), surface)
    k = wavenumber(FREQUENCY_HZ, AIR.sound_speed_m_per_s)
    plan = automatic_orders(k, source_reach(spectra, ExpansionSettings(), np.zeros(3)), False, 200, -60.0)
    solver = Solver(spectra, np.zeros(3), plan.outgoing, (float(k[0]), float(k[-1])))
    # what the orders leave out of a source nearer than the one they are for
    assert surface_hold_out(solver, plan).max() < -55.0
    louder = replace(spectra, pressure_pa=spectra.pressure_pa * np.where(surface == 1, 2.0, 1.0))
    other = Solver(louder, np.zeros(3), plan.outgoing, (float(k[0]), float(k[-1])))
    # the half of them predicted from twice as much: as wrong as it is large
    np.testing.assert_allclose(surface_hold_out(other, plan), 0.0, rtol=0, atol=0.1)


def test_residual_by_surface() -> None:
    spectra = three()
    generator = np.random.default_rng(4)
    noise = 0.01 * np.sqrt(np.mean(np.abs(spectra.pressure_pa) ** 2, axis=2, keepdims=True))
    noise = noise * complex_normal(generator, *spectra.pressure_pa.shape)
    noisier = replace(spectra, pressure_pa=spectra.pressure_pa + np.where(spectra.surface == 2, noise, 0.0))
    found = measured(expand(noisier, PLAIN))
    np.testing.assert_array_equal(found.surface, [0, 1, 2])
    # -40 dB re the rms of all three, which the outermost falls short of by a decibel or two
    np.testing.assert_allclose(found.surface_residual_db[:, 0, 2], -40.0, rtol=0, atol=3.0)
    assert (found.surface_residual_db[:, 0, :2] < found.surface_residual_db[:, :1, 2] - 5.0).all()
    unnamed = replace(noisier, surface=np.full(len(noisier.surface), -1))
    assert measured(expand(unnamed, PLAIN)).surface_residual_db.shape == (4, 1, 0)


def test_forbidden_bands() -> None:
    """Spheres 10 cm apart are half a wavelength apart at 1,716 Hz."""
    positions_m, surface = sphere_scan(1400, 0.42, gap_m=0.1)
    frequency_hz = np.array([300.0, 1716.0])
    spectra = make_spectra(positions_m, frequency_hz, heard(positions_m, frequency_hz=frequency_hz), surface)
    np.testing.assert_array_equal(measured(expand(spectra, PLAIN)).forbidden, [0, 1])
