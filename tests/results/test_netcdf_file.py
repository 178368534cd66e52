"""NetCDF-4 read back through both engines of a library for labelled arrays."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import xarray
from results.balloons import AZIMUTH_DEG, CHANNEL, ELEVATION_DEG, FACTS, FREQUENCY_HZ, HOSTILE, balloon, curves

from fieldproc.conventions import level_db, phase_deg
from fieldproc.records import FarField, Scalar
from fieldproc.results import netcdf_bytes
from fieldproc.results.plain import LONGEST, one_line

SCALARS = {"reach": Scalar(25.5, "Hz", 24.0, np.nan), "delay": Scalar(np.nan, "s")}

each_engine = pytest.mark.parametrize("engine", ["h5netcdf", "netcdf4"])


def read(tmp_path: Path, data: bytes, engine: str) -> xarray.Dataset:
    path = tmp_path / "directivity.nc"
    path.write_bytes(data)
    with xarray.open_dataset(path, engine=engine) as dataset:
        return dataset.load()


@each_engine
def test_the_field_is_that_in_memory(tmp_path: Path, engine: str) -> None:
    far_field = balloon()
    pressure_pa = far_field.pressure_pa[:, CHANNEL]
    found = read(tmp_path, netcdf_bytes(far_field, CHANNEL, FACTS, [], {}), engine)
    assert dict(found.sizes) == {"frequency": 5, "direction": 7}
    assert set(found.coords) == {"frequency", "azimuth_deg", "elevation_deg"}
    phase = phase_deg(pressure_pa)
    # silence has no phase
    phase[1, 3] = np.nan
    expected = {
        "frequency": FREQUENCY_HZ,
        "azimuth_deg": AZIMUTH_DEG,
        "elevation_deg": ELEVATION_DEG,
        "pressure_real": pressure_pa.real,
        "pressure_imag": pressure_pa.imag,
        "level": level_db(pressure_pa),
        "phase": phase,
        "sound_power_w": far_field.sound_power_w[:, CHANNEL],
    }
    for name, values in expected.items():
        assert np.array_equal(found[name].values, values, equal_nan=True), name
    for name in ("pressure_real", "pressure_imag", "level", "phase"):
        assert found[name].dims == ("frequency", "direction")
    units = {name: found[name].attrs["units"] for name in expected}
    assert units == {
        "frequency": "Hz",
        "azimuth_deg": "degree",
        "elevation_deg": "degree",
        "pressure_real": "Pa",
        "pressure_imag": "Pa",
        "level": "dB",
        "phase": "degree",
        "sound_power_w": "W",
    }
    assert all(found[name].attrs["long_name"] for name in expected)


@each_engine
def test_bands_and_verdicts(tmp_path: Path, engine: str) -> None:
    bands = balloon().bands
    assert bands is not None
    found = read(tmp_path, netcdf_bytes(balloon(), CHANNEL, FACTS, [], {}), engine)
    for name, values, units in (
        ("level_low", bands.level_low_db, "dB"),
        ("level_high", bands.level_high_db, "dB"),
        ("phase_low", bands.phase_low_deg, "degree"),
        ("phase_high", bands.phase_high_deg, "degree"),
    ):
        assert np.array_equal(found[name].values, values[:, CHANNEL])
        assert (found[name].dtype, found[name].attrs["units"]) == (np.float32, units)
    assert found["verdict"].values.tolist() == bands.verdict[:, CHANNEL].tolist()
    meanings = dict(
        zip(found["verdict"].attrs["flag_values"], found["verdict"].attrs["flag_meanings"].split(), strict=True)
    )
    assert meanings == {0: "good", 1: "caution", 2: "do_not_use"}
    without = read(tmp_path, netcdf_bytes(balloon(bands=False), CHANNEL, FACTS, [], {}), engine)
    assert set(found) - set(without) == {"level_low", "level_high", "phase_low", "phase_high", "verdict"}


@each_engine
def test_curves_scalars_and_facts(tmp_path: Path, engine: str) -> None:
    table = curves(**FACTS, content="made up")
    found = read(tmp_path, netcdf_bytes(balloon(), CHANNEL, FACTS, [table], SCALARS), engine)
    for name, units in (("on_axis_db", "dB"), ("on_axis_low_db", "dB"), ("coverage_deg", "degree")):
        variable = found[f"curves_{name}"]
        assert variable.dims == ("frequency",)
        assert np.array_equal(variable.values, table.column(name), equal_nan=True)
        assert variable.attrs["units"] == units
    for name, scalar in SCALARS.items():
        assert found[name].shape == ()
        numbers = [found[name].item(), found[name].attrs["low"], found[name].attrs["high"]]
        assert np.array_equal(numbers, [scalar.value, scalar.low, scalar.high], equal_nan=True)
        assert found[name].attrs["units"] == scalar.unit
    assert {name: found.attrs[name] for name in FACTS} == FACTS
    assert {name for name in found.attrs if name.startswith("curves_")} == {"curves_content"}
    numbers = ("sound_speed_m_per_s", "air_density_kg_per_m3", "reference_distance_m", "field_distance_m")
    assert [found.attrs[name] for name in numbers] == [343.21, 1.2041, 2.0, np.inf]


@each_engine
def test_magnitudes_have_no_phase_and_no_unit(tmp_path: Path, engine: str) -> None:
    found = read(tmp_path, netcdf_bytes(balloon(phase_known=False), 0, {"calibrated": 0}, [], {}), engine)
    assert np.isnan(found["phase"].values).all()
    assert found["pressure_real"].attrs["units"] == "1"
    assert "20 uPa" not in found["level"].attrs["long_name"]


@each_engine
@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_texts_stay_attributes(tmp_path: Path, engine: str, name: str) -> None:
    facts = {"title": HOSTILE[name]}
    scalars = {"reach": Scalar(1.0, HOSTILE[name])}
    found = read(tmp_path, netcdf_bytes(balloon(), 0, facts, [curves(own=HOSTILE[name])], scalars), engine)
    plain = read(
        tmp_path, netcdf_bytes(balloon(), 0, {"title": "x"}, [curves(own="x")], {"reach": SCALARS["reach"]}), engine
    )
    assert set(found.attrs) == set(plain.attrs)
    assert set(found.variables) == set(plain.variables)
    for text in (found.attrs["title"], found.attrs["curves_own"], found["reach"].attrs["units"]):
        assert text == one_line(HOSTILE[name])
        assert text.isprintable()
        assert len(text) <= LONGEST


def test_tables_over_other_frequencies_are_refused() -> None:
    far_field = balloon()
    fewer = FarField(
        far_field.frequency_hz[1:],
        far_field.directions,
        far_field.pressure_pa[1:],
        far_field.sound_power_w[1:],
        np.inf,
        far_field.channel_names,
    )
    with pytest.raises(ValueError, match="table curves is over other frequencies"):
        netcdf_bytes(fewer, 0, FACTS, [curves()], {})


def test_names_are_unique() -> None:
    with pytest.raises(ValueError, match='"level" is taken'):
        netcdf_bytes(balloon(), 0, FACTS, [], {"level": SCALARS["reach"]})


def test_same_input_same_bytes() -> None:
    first, second = (netcdf_bytes(balloon(), CHANNEL, FACTS, [curves()], SCALARS) for _ in range(2))
    assert first == second
    assert first != netcdf_bytes(balloon(), 0, FACTS, [curves()], SCALARS)
