"""A far field and its curves as NetCDF-4, for programs that work with labelled arrays.

Names, units and descriptions follow the habits of the CF conventions (``units``, ``long_name``, ``coordinates``,
``flag_values``). Curves keep the names of their columns, behind that of their table: ``cta2034a_on_axis_db``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from fieldproc.conventions import known_phase_deg, level_db
from fieldproc.records import Bands, Facts, FarField, Scalar, Table, Verdict
from fieldproc.results.netcdf_layer import Attribute, Variable, netcdf_file
from fieldproc.results.plain import one_line, unit_of, written_angles_deg

_ANGLES = {"coordinates": "azimuth_deg elevation_deg"}
_FIELD = ("frequency", "direction")


def netcdf_bytes(
    far_field: FarField, channel: int, facts: Facts, tables: Sequence[Table], scalars: Mapping[str, Scalar]
) -> bytes:
    """Pressure, level and phase (frequency, direction) of one channel, with bands where they are known.

    ``tables`` have a row for each frequency; their columns become variables over frequency, and facts that only they
    state global attributes ``TABLE_FACT``. ``facts`` become global attributes, scalars variables without a dimension
    (attributes ``units``, ``low``, ``high``). ``ValueError`` for a table over other frequencies.
    """
    azimuth, elevation = written_angles_deg(far_field.directions)
    variables = [
        Variable("frequency", ("frequency",), far_field.frequency_hz, _described("Hz", "frequency")),
        Variable("azimuth_deg", ("direction",), azimuth, _described("degree", "azimuth, positive to the left")),
        Variable("elevation_deg", ("direction",), elevation, _described("degree", "elevation, positive up")),
        *_field_variables(far_field, channel, relative=not facts.get("calibrated", 1)),
    ]
    attributes: dict[str, Attribute] = {
        **_stated(facts),
        "sound_speed_m_per_s": far_field.sound_speed_m_per_s,
        "air_density_kg_per_m3": far_field.air_density_kg_per_m3,
        "reference_distance_m": far_field.reference_distance_m,
        "field_distance_m": far_field.distance_m,
    }
    for table in tables:
        variables += _table_variables(table, far_field)
        own = {name: fact for name, fact in table.facts.items() if facts.get(name) != fact}
        attributes |= {f"{table.name}_{name}": fact for name, fact in _stated(own).items()}
    variables += [_scalar_variable(name, scalar) for name, scalar in scalars.items()]
    dimensions = {"frequency": far_field.frequency_hz.size, "direction": azimuth.size}
    return netcdf_file(dimensions, variables, attributes)


def _field_variables(far_field: FarField, channel: int, *, relative: bool) -> Iterator[Variable]:
    pressure_pa = far_field.pressure_pa[:, channel]
    unit = "1" if relative else "Pa"
    rms = "of the rms pressure phasor, time exp(+i omega t), propagation removed"
    level = level_db(pressure_pa)
    phase = known_phase_deg(pressure_pa, far_field.phase_known)
    level_name = "level re 20e-6 of the unit of the data" if relative else "level re 20 uPa"
    for name, values, own_unit, long_name in (
        ("pressure_real", pressure_pa.real, unit, f"real part {rms}"),
        ("pressure_imag", pressure_pa.imag, unit, f"imaginary part {rms}"),
        ("level", level, "dB", level_name),
        ("phase", phase, "degree", "phase, wrapped to (-180, 180], propagation removed"),
    ):
        yield Variable(name, _FIELD, np.ascontiguousarray(values), _described(own_unit, long_name) | _ANGLES)
    power = _described("W", "radiated sound power")
    yield Variable("sound_power_w", ("frequency",), far_field.sound_power_w[:, channel], power)
    if far_field.bands is not None:
        yield from _band_variables(far_field.bands, channel)


def _band_variables(bands: Bands, channel: int) -> Iterator[Variable]:
    for of, unit in (("level", "db"), ("phase", "deg")):
        for end in ("low", "high"):
            name = f"{of}_{end}_{unit}"
            values = np.ascontiguousarray(getattr(bands, name)[:, channel])
            described = _described(unit_of(name), f"{end} end of the band of 95 % of the {of}")
            yield Variable(f"{of}_{end}", _FIELD, values, described | _ANGLES)
    flags: dict[str, Attribute] = {
        "long_name": "verdict of the frequency",
        "flag_values": np.array([int(verdict) for verdict in Verdict], dtype=np.int8),
        "flag_meanings": " ".join(verdict.name.lower() for verdict in Verdict),
    }
    yield Variable("verdict", ("frequency",), bands.verdict[:, channel].astype(np.int8), flags)


def _table_variables(table: Table, far_field: FarField) -> Iterator[Variable]:
    if not np.array_equal(table.column("frequency_hz"), far_field.frequency_hz):
        raise ValueError(f"table {table.name} is over other frequencies than the far field")
    for name in table.header:
        if name != "frequency_hz":
            words = f"{table.name}: {name.replace('_', ' ')}"
            values = np.ascontiguousarray(table.column(name))
            yield Variable(f"{table.name}_{name}", ("frequency",), values, _described(unit_of(name), words))


def _scalar_variable(name: str, scalar: Scalar) -> Variable:
    described = _described(one_line(scalar.unit), name.replace("_", " "))
    ends: dict[str, Attribute] = {"low": float(scalar.low), "high": float(scalar.high)}
    return Variable(name, (), np.array(scalar.value, dtype=np.float64), described | ends)


def _described(unit: str, long_name: str) -> dict[str, Attribute]:
    return {"units": unit, "long_name": long_name}


def _stated(facts: Facts) -> dict[str, Attribute]:
    """Facts as attributes; text on one line."""
    return {name: one_line(fact) if isinstance(fact, str) else fact for name, fact in facts.items()}
