"""AES69 files, written here with h5py as AES69-2022 lays them out (netCDF-4 dimensions as scales)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from fieldproc.conventions import polar_directions
from fieldproc.errors import SessionError
from fieldproc.extrapolate import balloon_directions
from fieldproc.records import FarField, ImpulseResponses, Session, TransferFunctions
from fieldproc.results.aes69_file import aes69_bytes
from fieldproc.session import check, open_input
from fieldproc.settings import TableSettings
from fieldproc.tables import interpolated, tabulate
from fieldproc.waves.harmonics import spherical_harmonics

METRE = {"Type": "cartesian", "Units": "metre"}
SPHERICAL = {"Type": "spherical", "Units": "degree, degree, metre"}
HERTZ = {"Units": "hertz"}
RELATIVE = "levels are relative"

Variables = dict[str, tuple[Any, dict[str, str]] | None]


def write_aes69(path: Path, convention: str, variables: Variables, **attributes: Any) -> Path:
    texts: dict[str, Any] = {
        "Conventions": "SOFA",
        "Version": "2.1",
        "SOFAConventions": convention,
        "SOFAConventionsVersion": "1.1",
        "Title": "practice directivity",
        "Organization": "workshop",
        "AuthorContact": h5py.Empty("S1"),
    }
    standard: Variables = {
        "ListenerPosition": ([[0, 0, 0]], METRE),
        "ListenerView": ([[1, 0, 0]], METRE),
        "ListenerUp": ([[0, 0, 1]], {}),
        "SourcePosition": ([[0, 0, 0]], METRE),
        "SourceView": ([[1, 0, 0]], METRE),
        "SourceUp": ([[0, 0, 1]], {}),
        "EmitterPosition": ([[0, 0, 0]], METRE),
    }
    with h5py.File(path, "w") as file:
        for name, text in (texts | attributes).items():
            file.attrs[name] = np.bytes_(text) if isinstance(text, str) else text
        for name, entry in (standard | variables).items():
            if entry is None:
                continue
            data = np.asarray(entry[0])
            variable = file.create_dataset(name, data=data if data.dtype.kind == "S" else data.astype(float))
            for axis, size in enumerate(data.shape):
                scale = file.require_dataset(f"dimension{size}", (size,), ">f4")
                if not scale.is_scale:
                    scale.make_scale(f"This is a netCDF dimension but not a netCDF variable.{size:10d}")
                variable.dims[axis].attach_scale(scale)
            for key, value in entry[1].items():
                variable.attrs[key] = np.bytes_(value)
    return path


def ring(count: int, radius_m: float) -> tuple[Any, Any]:
    """Azimuth, elevation, radius, and the same in x, y, z."""
    azimuth = np.linspace(0.0, 300.0, count)
    spherical = np.stack([azimuth, np.full(count, 30.0), np.full(count, radius_m)], axis=1)
    phi, theta = np.radians(azimuth), np.radians(30.0)
    unit = np.stack([np.cos(theta) * np.cos(phi), np.cos(theta) * np.sin(phi), np.full(count, 0.5)], axis=1)
    return spherical, radius_m * unit


def impulse(measurements: int, receivers: int, emitters: int | None = None) -> Variables:
    shape = (measurements, receivers, 8) + (() if emitters is None else (emitters,))
    return {
        "Data.IR": (np.random.default_rng(1).normal(size=shape), {}),
        "Data.SamplingRate": ([48000.0], HERTZ),
        "Data.Delay": (np.full((1, receivers), 24.0), {}),
    }


def transfer(values: Any, frequency_hz: Any) -> Variables:
    return {
        "Data.Real": (np.real(values), {}),
        "Data.Imag": (np.imag(values), {}),
        "N": (frequency_hz, {"LongName": "frequency", "Units": "Hertz"}),
    }


@pytest.mark.parametrize("trailing_axis", [False, True])
def test_general_fir_is_a_session(tmp_path: Path, trailing_axis: bool) -> None:
    spherical, cartesian = ring(7, 0.4)
    receivers = spherical[:, :, None] if trailing_axis else spherical
    data = impulse(1, 7)
    path = write_aes69(
        tmp_path / "fir.sofa",
        "GeneralFIR",
        data
        | {
            "ReceiverPosition": (receivers, SPHERICAL),
            "SourcePosition": ([[0, 0, 0.1]], METRE),
            "SourceView": ([[90, 0, 1]], SPHERICAL),
            "SourceUp": ([[0, 90, 1]], {}),
        },
    )

    session = open_input(path)

    assert isinstance(session, Session)
    assert isinstance(session.response, ImpulseResponses)
    assert data["Data.IR"] is not None
    assert np.array_equal(session.response.values, data["Data.IR"][0])
    assert (session.response.sampling_rate_hz, session.response.start_s) == (48000.0, 24 / 48000)
    # Sines and cosines of doubles: a few units in the last place of 0.4.
    np.testing.assert_allclose(session.positions_m, cartesian, rtol=0, atol=1e-15)
    assert session.axis.origin_m.tolist() == [0, 0, 0.1]
    np.testing.assert_allclose(session.axis.direction, [0, 1, 0], rtol=0, atol=1e-15)
    np.testing.assert_allclose(session.axis.up, [0, 0, 1], rtol=0, atol=1e-15)
    assert (session.unit, session.channel_names, session.title) == (
        "Pa/V",
        ("full range",),
        "practice directivity",
    )
    assert session.attributes == {"organization": "workshop"}
    assert any(RELATIVE in notice for notice in session.notices)
    assert not session.calibrated


def test_stated_pressure_per_volt_is_believed(tmp_path: Path) -> None:
    data = impulse(1, 7)
    assert data["Data.IR"] is not None
    data["Data.IR"] = (data["Data.IR"][0], {"Units": "Pa/V"})
    data["ReceiverPosition"] = (ring(7, 0.4)[1], METRE)

    session = open_input(write_aes69(tmp_path / "fir.sofa", "GeneralFIR", data))

    assert session.notices == ()


def test_a_moving_listener_makes_points_in_its_own_axes(tmp_path: Path) -> None:
    places = np.array([[1.0, 0.0, 0.0], [0.0, 2.0, 0.0], [0.0, 0.0, 3.0]])
    data = impulse(3, 2)
    variables: Variables = {
        "ListenerPosition": (places, METRE),
        "ListenerView": ([[0, 1, 0]], METRE),
        "ReceiverPosition": ([[0.1, 0, 0], [0, 0.1, 0]], METRE),
    }

    session = open_input(write_aes69(tmp_path / "fir.sofa", "GeneralFIR", data | variables))

    assert isinstance(session, Session)
    # The listener faces y: its x is our y, its y is our -x.
    expected = places[:, None] + np.array([[0, 0.1, 0], [-0.1, 0, 0]])
    np.testing.assert_allclose(session.positions_m, expected.reshape(6, 3), rtol=0, atol=1e-15)
    assert isinstance(session.response, ImpulseResponses)
    assert session.response.values.shape == (1, 6, 8)
    assert data["Data.IR"] is not None
    assert np.array_equal(session.response.values[0, 3], data["Data.IR"][0][1, 1])


def test_emitters_are_channels(tmp_path: Path) -> None:
    data = impulse(1, 7, emitters=2)
    names = np.array([[b"w", b"o", b"o", b"f", b"e", b"r", b""], [b"t", b"w", b"e", b"e", b"t", b"e", b"r"]])
    variables: Variables = {
        "ReceiverPosition": (ring(7, 0.4)[1], METRE),
        "EmitterPosition": ([[0, 0, 0], [0, 0, 0.1]], METRE),
        "EmitterDescriptions": (names, {}),
        "Data.Delay": None,
    }

    session = open_input(write_aes69(tmp_path / "fire.sofa", "GeneralFIR-E", data | variables))

    assert isinstance(session, Session)
    assert isinstance(session.response, ImpulseResponses)
    assert session.channel_names == ("woofer", "tweeter")
    assert data["Data.IR"] is not None
    assert np.array_equal(session.response.values, np.moveaxis(data["Data.IR"][0][0], 2, 0))
    assert session.response.start_s == 0.0


def test_complex_general_tf_is_a_session(tmp_path: Path) -> None:
    values = np.exp(-1j * np.arange(2 * 7 * 3)).reshape(2, 7, 3)
    variables = transfer(values, [100.0, 200.0, 400.0]) | {"ReceiverPosition": (ring(7, 0.4)[1], METRE)}

    session = open_input(write_aes69(tmp_path / "tf.sofa", "GeneralTF", variables))

    assert isinstance(session, Session)
    assert isinstance(session.response, TransferFunctions)
    assert np.array_equal(session.response.values, np.moveaxis(values, 2, 0))
    assert session.response.frequency_hz.tolist() == [100.0, 200.0, 400.0]
    assert session.channel_names == ("channel 0", "channel 1")


def test_magnitudes_are_a_far_field_and_missing_bands_stay_missing(tmp_path: Path) -> None:
    values = np.full((1, 7, 3), 2.0)
    values[:, :, 1] = np.nan
    variables = transfer(values, [100.0, 200.0, 400.0]) | {
        "ReceiverPosition": (ring(7, 1.0)[1], METRE),
        # Some writers put the source where a receiver is.
        "SourcePosition": (ring(7, 1.0)[1][:1], METRE),
        "SourceView": None,
        "SourceUp": None,
    }

    field = open_input(write_aes69(tmp_path / "magnitudes.sofa", "GeneralTF", variables))

    assert isinstance(field, FarField)
    assert not field.phase_known
    assert field.distance_m == np.inf
    assert np.isnan(field.sound_power_w).all()
    assert np.isnan(field.pressure_pa[1]).all()
    assert (field.pressure_pa[[0, 2]] == 2.0).all()
    np.testing.assert_allclose(field.directions, ring(7, 1.0)[1], rtol=0, atol=1e-15)
    assert any(RELATIVE in notice for notice in field.notices)
    assert any("no SourceView" in notice for notice in field.notices)


def test_free_field_directivity_is_a_far_field_in_output_axes(tmp_path: Path) -> None:
    values = np.exp(-1j * np.arange(3 * 7 * 2)).reshape(3, 7, 2)
    variables = transfer(values, [100.0, 200.0]) | {
        "ReceiverPosition": (ring(7, 2.0)[0][:, :, None], SPHERICAL),
        "SourceView": ([[0, 1, 0]], METRE),
        "SourceUp": ([[0, 0, 1]], {}),
    }

    field = open_input(write_aes69(tmp_path / "directivity.sofa", "FreeFieldDirectivityTF", variables))

    assert isinstance(field, FarField)
    assert field.phase_known
    assert np.array_equal(field.pressure_pa, np.moveaxis(values, 2, 0))
    x, y, z = ring(7, 1.0)[1].T
    # The loudspeaker faces y: x' = y, y' = z' cross x' = -x.
    np.testing.assert_allclose(field.directions, np.stack([y, -x, z], axis=1), rtol=0, atol=1e-15)
    assert field.channel_names == ("channel 0", "channel 1", "channel 2")


# Interleaving shows by gaps where lengths differ, by repeated letters where names are alike.
@pytest.mark.parametrize(
    ("names", "column_major"),
    [
        (("woofer", "mid", "dome tweeter"), False),
        (("woofer", "mid", "dome tweeter"), True),
        (("low unit measured", "mid unit measured", "top unit measured"), True),
        (("bass reef", "moon pool", "feed book"), False),
    ],
)
def test_names_in_either_memory_order(tmp_path: Path, names: tuple[str, ...], column_major: bool) -> None:
    length = max(map(len, names))
    characters = np.array([[char.encode() for char in name.ljust(length)] for name in names])
    if column_major:
        characters = characters.T.reshape(characters.shape)
    values = np.ones((3, 7, 2)) * 1j
    variables = transfer(values, [100.0, 200.0]) | {
        "ReceiverPosition": (ring(7, 2.0)[0], SPHERICAL),
        "EmitterDescription": (characters, {}),
    }

    field = open_input(write_aes69(tmp_path / "names.sofa", "FreeFieldDirectivityTF", variables))

    assert field.channel_names == names


@pytest.mark.parametrize(
    ("changes", "where", "message"),
    [
        ({"ReceiverPosition": None}, "/ReceiverPosition", "no positions"),
        ({"ReceiverPosition": (np.ones((5, 3)), METRE)}, "/ReceiverPosition", "5 receivers.*7"),
        ({"ReceiverPosition": (np.ones((7, 2)), METRE)}, "/ReceiverPosition", "three coordinates"),
        ({"ReceiverPosition": (np.full((7, 3), np.inf), METRE)}, "/ReceiverPosition", "finite"),
        (
            {"ReceiverPosition": (np.ones((7, 3)), {"Type": "spherical", "Units": "radian, radian, metre"})},
            "/ReceiverPosition@Units",
            "radian",
        ),
        ({"ReceiverPosition": (np.ones((7, 3)), {})}, "/ReceiverPosition@Units", '""'),
        ({"SourcePosition": ([[0, 0, 0], [1, 0, 0]], METRE)}, "/SourcePosition", "moves or turns"),
        ({"SourceView": ([[0, 0, 1]], METRE)}, "/SourceView", "parallel"),
        ({"Data.IR": None}, "/Data.IR", "no such dataset"),
        ({"Data.SamplingRate": ([48000.0], {})}, "/Data.SamplingRate@Units", "hertz"),
        ({"Data.SamplingRate": ([44100.0, 48000.0], HERTZ)}, "/Data.SamplingRate", "one for all"),
        ({"Data.Delay": (np.arange(7.0)[None], {})}, "/Data.Delay", "one for all"),
        ({"Data.IR": (np.ones((7, 8)), {})}, "/Data.IR", "along 3 axes"),
        ({"SourceUp": (np.ones((3, 3)), {}), "SourceView": (np.ones((2, 3)), METRE)}, "/SourceView", "of both"),
        ({"ListenerPosition": (np.zeros((4, 3)), METRE)}, "/ListenerPosition", "4 measurements"),
    ],
)
def test_one_fault_one_message(tmp_path: Path, changes: Variables, where: str, message: str) -> None:
    variables = impulse(1, 7) | {"ReceiverPosition": (ring(7, 0.4)[1], METRE)} | changes
    path = write_aes69(tmp_path / "wrong.sofa", "GeneralFIR", variables)

    assert [problem.where for problem in check(path)] == [where]
    with pytest.raises(SessionError, match=message):
        open_input(path)


def test_faults_of_the_data_come_together(tmp_path: Path) -> None:
    variables = transfer(np.ones((1, 7, 3)), [400.0, 200.0, 100.0]) | {"Data.Imag": None}

    problems = check(write_aes69(tmp_path / "wrong.sofa", "GeneralTF", variables))

    assert [problem.where for problem in problems] == ["/Data.Imag", "/N"]


def test_other_conventions_are_refused_by_name(tmp_path: Path) -> None:
    path = write_aes69(tmp_path / "head.sofa", "SimpleFreeFieldHRIR", {})

    with pytest.raises(SessionError, match='/@SOFAConventions: found "SimpleFreeFieldHRIR"'):
        open_input(path)


def test_numbers_beyond_the_standard_are_believed(tmp_path: Path) -> None:
    values = np.exp(-1j * np.arange(7 * 2)).reshape(1, 7, 2)
    variables = transfer(values, [100.0, 200.0]) | {
        "ReceiverPosition": (ring(7, 2.0)[0], SPHERICAL),
        "SoundPower": ([[0.1, 0.2]], {"Units": "watt"}),
    }
    stated = {
        "SoundSpeed": "343.5",
        "AirDensity": "1.19",
        "ReferenceDistance": "2.0",
        "FieldDistance": "inf",
        "DriveVoltage": "2.83",
        "Calibrated": "1",
        "PhaseKnown": "0",
    }

    field = open_input(write_aes69(tmp_path / "own.sofa", "FreeFieldDirectivityTF", variables, **stated))

    assert isinstance(field, FarField)
    assert (field.sound_speed_m_per_s, field.air_density_kg_per_m3) == (343.5, 1.19)
    assert (field.reference_distance_m, field.distance_m) == (2.0, np.inf)
    assert field.sound_power_w.tolist() == [[0.1], [0.2]]
    assert not field.phase_known
    assert field.facts == {"calibrated": 1, "drive_voltage_v": 2.83}
    assert field.notices == ()


def test_the_same_names_with_other_meanings_are_left_alone_aloud(tmp_path: Path) -> None:
    variables = transfer(np.ones((1, 7, 2)) * 1j, [100.0, 200.0]) | {
        "ReceiverPosition": (ring(7, 2.0)[0], SPHERICAL),
        "SoundPower": ([[0.1, 0.2, 0.3]], {}),
    }
    stated = {
        "SoundSpeed": "343 m/s",
        "ReferenceDistance": "-1",
        "FieldDistance": "nan",
        "DriveVoltage": "inf",
        "Calibrated": "2",
    }

    field = open_input(write_aes69(tmp_path / "other.sofa", "FreeFieldDirectivityTF", variables, **stated))

    assert isinstance(field, FarField)
    assert np.isnan(field.sound_speed_m_per_s)
    assert (field.reference_distance_m, field.distance_m) == (1.0, np.inf)
    assert np.isnan(field.sound_power_w).all()
    assert field.facts == {"calibrated": 0}
    assert {notice.split()[0] for notice in field.notices if "left alone" in notice} == {*stated, "SoundPower"}
    assert any(RELATIVE in notice for notice in field.notices)


def test_an_export_read_back_gives_the_same_tables(tmp_path: Path) -> None:
    """Every 5 degrees about the axis, complex, with its sound power: a random field of degree 6."""
    directions = balloon_directions("aes56", 1)
    rng = np.random.default_rng(2)
    coefficients = rng.normal(size=(2, 49)) + 1j * rng.normal(size=(2, 49))
    exported = FarField(
        frequency_hz=np.array([100.0, 20 * 2**4.125]),
        directions=directions,
        pressure_pa=(coefficients @ spherical_harmonics(6, directions).T)[:, None],
        # 4 pi r^2 <p^2> / (rho c), <p^2> = sum of |c|^2 / (4 pi)
        sound_power_w=np.sum(np.abs(coefficients) ** 2, axis=1)[:, None] * 1.5**2 / (1.19 * 343.5),
        distance_m=np.inf,
        channel_names=("woofer",),
        reference_distance_m=1.5,
        air_density_kg_per_m3=1.19,
        sound_speed_m_per_s=343.5,
    )
    path = tmp_path / "directivity.sofa"
    path.write_bytes(aes69_bytes(exported, 0, {"drive_voltage_v": 2.83, "calibrated": 1}))

    read = open_input(path)

    assert isinstance(read, FarField)
    assert read.facts == {"calibrated": 1, "drive_voltage_v": 2.83}
    filled = interpolated(read, polar_directions())
    assert filled.held.all()
    expected = tabulate(exported, TableSettings(), {})
    # coverage angles of the second are those of 10-degree steps, not of the 5 that the file holds
    for found in (tabulate(read, TableSettings(), {}), tabulate(read, TableSettings(), {}, circles=filled)[:3]):
        for before, after in zip(expected, found, strict=False):
            assert before.header == after.header
            # equal directions: what is left is the rounding of angles that are read and written
            np.testing.assert_allclose(after.values, before.values, rtol=0, atol=1e-9)
