"""AES69 files read back by an independent reader of the standard, by netCDF's library, and by our own reader."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import h5py
import netCDF4
import numpy as np
import pytest
import sofar
from results.balloons import AZIMUTH_DEG, CHANNEL, ELEVATION_DEG, FACTS, FREQUENCY_HZ, HOSTILE, balloon
from scipy.special import sph_harm_y

from fieldproc.conventions import Complexes
from fieldproc.records import FarField
from fieldproc.results import aes69_bytes, aes69_harmonics_bytes
from fieldproc.results.aes69_file import UNKNOWN_DATE
from fieldproc.results.plain import LONGEST
from fieldproc.session import open_input
from fieldproc.waves.harmonics import real_coefficients


def read(tmp_path: Path, data: bytes) -> Any:
    """As the independent reader sees it, after its strictest check."""
    path = tmp_path / "directivity.sofa"
    path.write_bytes(data)
    sofa = sofar.read_sofa(path, verify=True, verbose=False)
    assert sofa.verify(issue_handling="return", mode="write") is None
    return sofa


def test_pressures_places_and_frequencies_are_those_in_memory(tmp_path: Path) -> None:
    far_field = balloon()
    sofa = read(tmp_path, aes69_bytes(far_field, CHANNEL, FACTS))
    assert np.array_equal(sofa.N, FREQUENCY_HZ)
    for values, part in ((sofa.Data_Real, np.real), (sofa.Data_Imag, np.imag)):
        assert np.array_equal(values[0].T, part(far_field.pressure_pa[:, CHANNEL]), equal_nan=True)
    radius = np.full(AZIMUTH_DEG.size, far_field.reference_distance_m)
    assert np.array_equal(sofa.ReceiverPosition, np.column_stack([AZIMUTH_DEG % 360, ELEVATION_DEG, radius]))
    assert sofa.ReceiverPosition_Type == "spherical"
    assert sofa.ReceiverPosition_Units == "degree, degree, metre"
    assert np.array_equal(sofa.SoundPower[0], far_field.sound_power_w[:, CHANNEL], equal_nan=True)
    assert (sofa.Data_Real_Units, sofa.SoundPower_Units, sofa.N_Units) == ("pascal", "watt", "hertz")


def test_what_reading_back_needs_is_stated(tmp_path: Path) -> None:
    stated = {**FACTS, "author": "A. Nonymous", "license": "CC0", "session_sha256": "ab" * 32}
    sofa = read(tmp_path, aes69_bytes(balloon(), CHANNEL, stated))
    assert sofa.GLOBAL_SOFAConventions == "FreeFieldDirectivityTF"
    assert (sofa.GLOBAL_SOFAConventionsVersion, sofa.GLOBAL_Version, sofa.GLOBAL_DataType) == ("1.1", "2.1", "TF")
    texts = {name: getattr(sofa, f"GLOBAL_{name}") for name in ("Title", "DatabaseName", "AuthorContact", "License")}
    assert texts == {
        "Title": "Kuchenregal No 2",
        "DatabaseName": "shelf",
        "AuthorContact": "A. Nonymous",
        "License": "CC0",
    }
    # not stated, and still mandatory
    assert sofa.GLOBAL_SourceManufacturer == "not stated"
    numbers = ("SoundSpeed", "AirDensity", "ReferenceDistance", "FieldDistance", "DriveVoltage")
    assert [float(getattr(sofa, f"GLOBAL_{name}")) for name in numbers] == [343.21, 1.2041, 2.0, np.inf, 2.83]
    assert (sofa.GLOBAL_Calibrated, sofa.GLOBAL_PhaseKnown) == ("1", "1")
    assert sofa.GLOBAL_SessionSha256 == "ab" * 32
    assert sofa.GLOBAL_EmitterDescription == str(sofa.EmitterDescriptions) == "Hochtoner"
    for name in ("SourcePosition", "SourceView", "SourceUp"):
        assert getattr(sofa, f"{name}_Reference")


def test_magnitudes_of_unknown_calibration_at_a_true_distance(tmp_path: Path) -> None:
    far_field = balloon(phase_known=False, distance_m=3.0)
    facts = {"calibrated": 0, "drive_level_dbfs": -20.0}
    sofa = read(tmp_path, aes69_bytes(far_field, 0, facts))
    assert (sofa.GLOBAL_Calibrated, sofa.GLOBAL_PhaseKnown, sofa.Data_Real_Units) == ("0", "0", "relative")
    assert (sofa.GLOBAL_FieldDistance, sofa.GLOBAL_DriveLevel) == ("3.0", "-20.0")
    assert not hasattr(sofa, "GLOBAL_DriveVoltage")
    assert set(sofa.ReceiverPosition[:, 2]) == {3.0}


def test_unknown_numbers_are_left_out(tmp_path: Path) -> None:
    bare = FarField(FREQUENCY_HZ, np.eye(3), np.ones((5, 1, 3), complex), np.full((5, 1), np.nan), np.inf, ("a",))
    sofa = read(tmp_path, aes69_bytes(bare, 0, {}))
    assert not any(hasattr(sofa, f"GLOBAL_{name}") for name in ("SoundSpeed", "AirDensity", "DriveVoltage"))
    assert not hasattr(sofa, "SoundPower")


@pytest.mark.parametrize(("frequencies", "directions"), [(1, 1), (1, 3), (5, 1)])
def test_single_frequencies_and_directions(tmp_path: Path, frequencies: int, directions: int) -> None:
    pressure_pa = np.arange(1, frequencies * directions + 1).reshape(frequencies, 1, directions) * (1 + 2j)
    power_w = np.ones((frequencies, 1))
    small = FarField(FREQUENCY_HZ[:frequencies], np.eye(3)[:directions], pressure_pa, power_w, np.inf, ("a",))
    sofa = read(tmp_path, aes69_bytes(small, 0, FACTS))
    # this reader drops trailing axes of length one
    assert np.array_equal(sofa.Data_Imag.reshape(directions, frequencies).T, pressure_pa[:, 0].imag)


@pytest.mark.parametrize(
    ("stated", "written"),
    [
        ("2026-11-25T12:34:56+02:00", "2026-11-25 10:34:56"),
        ("2026-11-25T12:34:56.7Z", "2026-11-25 12:34:56"),
        ("2026-11-25", "2026-11-25 00:00:00"),
        ("last Tuesday", UNKNOWN_DATE),
        ("0001-01-01T00:00:00+14:00", UNKNOWN_DATE),
        ("2026-11-25T12:34:56\nTitle: x", UNKNOWN_DATE),
    ],
)
def test_dates(tmp_path: Path, stated: str, written: str) -> None:
    sofa = read(tmp_path, aes69_bytes(balloon(), 0, {"started": stated}))
    assert re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d", written)
    assert sofa.GLOBAL_DateCreated == sofa.GLOBAL_DateModified == written
    assert ("date unknown" in sofa.GLOBAL_History) == (written == UNKNOWN_DATE)


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_texts_stay_one_line_of_ascii(tmp_path: Path, name: str) -> None:
    text = HOSTILE[name]
    far_field = balloon()
    named = FarField(
        far_field.frequency_hz,
        far_field.directions,
        far_field.pressure_pa,
        far_field.sound_power_w,
        np.inf,
        ("first", text),
    )
    plain = aes69_bytes(far_field, CHANNEL, {"title": "x", "device": "x", "own": "x"})
    sofa = read(tmp_path, aes69_bytes(named, CHANNEL, {"title": text, "device": text, "own": text}))
    for value in (sofa.GLOBAL_Title, sofa.GLOBAL_SourceType, sofa.GLOBAL_Own, str(sofa.EmitterDescriptions)):
        assert value.isascii()
        assert value.isprintable()
        assert 0 < len(value) <= LONGEST
    # and smuggle nothing in
    ours = {key for key in vars(read(tmp_path, plain)) if key.startswith("GLOBAL_")}
    assert {key for key in vars(sofa) if key.startswith("GLOBAL_")} == ours - {
        "GLOBAL_SoundSpeed",
        "GLOBAL_AirDensity",
    }


def test_the_library_of_the_container_sees_the_dimensions(tmp_path: Path) -> None:
    path = tmp_path / "directivity.sofa"
    path.write_bytes(aes69_bytes(balloon(), CHANNEL, FACTS))
    with netCDF4.Dataset(path) as file:
        sizes = {name: len(dimension) for name, dimension in file.dimensions.items()}
        assert sizes == {"I": 1, "C": 3, "R": 7, "E": 1, "N": 5, "M": 1, "S": len("Hochtoner")}
        assert file["Data.Real"].dimensions == file["Data.Imag"].dimensions == ("M", "R", "N")
        assert file["ReceiverPosition"].dimensions == ("R", "C")
        assert file.data_model == "NETCDF4"


def test_same_input_same_bytes() -> None:
    assert aes69_bytes(balloon(), CHANNEL, FACTS) == aes69_bytes(balloon(), CHANNEL, FACTS)
    assert aes69_bytes(balloon(), 0, FACTS) != aes69_bytes(balloon(), CHANNEL, FACTS)


def test_our_own_reader_takes_it_back(tmp_path: Path) -> None:
    path = tmp_path / "directivity.sofa"
    far_field = balloon()
    path.write_bytes(aes69_bytes(far_field, CHANNEL, FACTS))
    found = open_input(path)
    assert isinstance(found, FarField)
    assert np.array_equal(found.pressure_pa[:, 0], far_field.pressure_pa[:, CHANNEL], equal_nan=True)
    assert np.array_equal(found.frequency_hz, FREQUENCY_HZ)
    assert found.channel_names == ("Hochtoner",)
    assert found.phase_known
    # sines and cosines of angles that were rounded to 1e-9 degrees: 2e-11 rad
    np.testing.assert_allclose(found.directions, far_field.directions, rtol=0, atol=2e-11)


# --- harmonics ---------------------------------------------------------------------------------------


def from_complex_harmonics(coefficients: Complexes) -> Complexes:
    """The pattern in the directions of the balloon, as complex harmonics define it."""
    degrees = int(np.sqrt(coefficients.shape[1])) - 1
    pairs = [(n, m) for n in range(degrees + 1) for m in range(-n, n + 1)]
    colatitude, azimuth = np.radians(90.0 - ELEVATION_DEG), np.radians(AZIMUTH_DEG)
    return coefficients @ np.array([sph_harm_y(n, m, colatitude, azimuth) for n, m in pairs])


def from_the_file(sofa: Any) -> Complexes:
    """The pattern from a file of coefficients, as its own words define it: Re and Im of scipy's harmonics."""
    values = (sofa.Data_Real + 1j * sofa.Data_Imag)[0].T
    colatitude, azimuth = np.radians(90.0 - ELEVATION_DEG), np.radians(AZIMUTH_DEG)
    total = np.zeros((values.shape[0], AZIMUTH_DEG.size), dtype=complex)
    for receiver in range(values.shape[1]):
        n = int(np.sqrt(receiver))
        m = receiver - n * n - n
        # N3D is 4 pi times the square of orthonormal; (-1)^m takes the Condon-Shortley phase out
        complex_one = np.sqrt(4 * np.pi) * (-1.0) ** m * sph_harm_y(n, abs(m), colatitude, azimuth)
        real_one = complex_one.real if m == 0 else np.sqrt(2.0) * (complex_one.real if m > 0 else complex_one.imag)
        total += values[:, [receiver]] * real_one
    return total


def test_harmonics_sum_to_the_pressure_of_the_direct_file(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    coefficients = rng.normal(size=(FREQUENCY_HZ.size, 36, 2)).view(complex)[..., 0]
    coefficients[2] = np.nan
    far_field = balloon()
    pressure_pa = np.stack([from_complex_harmonics(coefficients)] * 2, axis=1)
    whole = FarField(
        FREQUENCY_HZ, far_field.directions, pressure_pa, far_field.sound_power_w, np.inf, far_field.channel_names
    )
    direct = read(tmp_path, aes69_bytes(whole, 0, FACTS))
    sofa = read(tmp_path, aes69_harmonics_bytes(whole, 0, real_coefficients(coefficients), FACTS))
    assert (sofa.ReceiverPosition_Type, sofa.ReceiverPosition.shape) == ("spherical harmonics", (36, 3))
    assert "N3D" in sofa.GLOBAL_SphericalHarmonics
    assert "ACN" in sofa.GLOBAL_SphericalHarmonics
    known = np.isfinite(whole.pressure_pa[:, 0, 0])
    expected = (direct.Data_Real + 1j * direct.Data_Imag)[0].T
    # sums of 36 terms of about 1: rounding is 1e-15 of them
    np.testing.assert_allclose(from_the_file(sofa)[known], expected[known], rtol=0, atol=1e-12)
    assert np.isnan(sofa.Data_Real[0, :, 2]).all()


@pytest.mark.parametrize("count", [0, 2, 101**2])
def test_numbers_of_coefficients_that_no_reader_takes(count: int) -> None:
    with pytest.raises(ValueError, match=f"{count} coefficients"):
        aes69_harmonics_bytes(balloon(), 0, np.zeros((5, count), complex), FACTS)


@pytest.mark.parametrize("attribute", ["RoomType", "SourceManufacturer"])
def test_the_check_of_the_independent_reader_can_fail(tmp_path: Path, attribute: str) -> None:
    path = tmp_path / "broken.sofa"
    path.write_bytes(aes69_bytes(balloon(), CHANNEL, FACTS))
    with h5py.File(path, "r+") as file:
        del file.attrs[attribute]
    with pytest.raises(ValueError, match="could not be verified"):
        read(tmp_path, path.read_bytes())
