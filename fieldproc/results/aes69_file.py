"""A far field as an AES69 file: convention FreeFieldDirectivityTF 1.1, pressures or coefficients of harmonics.

Source: AES69-2022, "AES standard for file exchange - Spatial acoustic data file format". Its dimensions: M
measurements and E emitters (one each here), R receivers (directions or coefficients), N frequencies, C coordinates, S
characters. Text is ASCII, custom attributes are text, and units in lower case, as is asked of files that are written.

Beyond the convention, for reading back: the global attributes ``SoundSpeed``, ``AirDensity``, ``ReferenceDistance``,
``FieldDistance`` (inf: far-field pressure scaled to the reference distance), ``DriveVoltage`` or ``DriveLevel``,
``Calibrated`` and ``PhaseKnown`` (1 or 0), numbers as text; the variables ``SoundPower`` and ``VerdictCode`` (M, N);
and every other fact under its name in capitals and without underscores (``session_sha256``: ``SessionSha256``).
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from importlib.metadata import version

import numpy as np

from fieldproc.conventions import Complexes
from fieldproc.records import Facts, FarField, verdict_legend
from fieldproc.results.netcdf_layer import Variable, netcdf_file
from fieldproc.results.plain import ascii_line, written_angles_deg

# Of a file whose facts do not say when the scan was made; a clock would change the bytes.
UNKNOWN_DATE = "1970-01-01 00:00:00"
# Degree 99; readers of the standard check a list of squares that ends there.
MOST_COEFFICIENTS = 10_000

_CONVENTION = {
    "Conventions": "SOFA",
    "Version": "2.1",
    "SOFAConventions": "FreeFieldDirectivityTF",
    "SOFAConventionsVersion": "1.1",
    "DataType": "TF",
    "RoomType": "free field",
}
_NARRATIVES = ("Title", "AuthorContact", "Organization", "DatabaseName", "SourceType", "SourceManufacturer")
_UNSTATED = {
    **dict.fromkeys(_NARRATIVES, "not stated"),
    # the standard's own words
    "License": "No license provided, ask the author for permission",
}
# Names of the standard, or those above, for facts whose own names would give others.
_NAMES = {
    "title": "Title",
    "author": "AuthorContact",
    "organization": "Organization",
    "license": "License",
    "session": "DatabaseName",
    "device": "SourceType",
    "manufacturer": "SourceManufacturer",
    "comment": "Comment",
    "channel": "EmitterDescription",
    "drive_voltage_v": "DriveVoltage",
    "drive_level_dbfs": "DriveLevel",
    "reference_distance_m": "ReferenceDistance",
}
_CARTESIAN = {"Type": "cartesian", "Units": "metre"}
_HARMONICS = (
    "real-valued, ACN order (receiver n*n + n + m from 0), N3D: sqrt((2n+1) (2-[m=0]) (n-|m|)!/(n+|m|)!) "
    "P_n^|m|(sin(elevation)) times cos(m azimuth) for m >= 0, sin(|m| azimuth) for m < 0; P without Condon-Shortley "
    "phase; the mean square of each over the sphere is 1; pressure = sum of coefficient times harmonic"
)


def aes69_bytes(far_field: FarField, channel: int, facts: Facts) -> bytes:
    """Pressure of one channel in all directions; a frequency without a fit keeps its row, as nan.

    Receivers stand at the reference distance (or the true one), their angles in degrees, azimuth counter-clockwise
    from 0 up to 360. Facts read: ``title``, ``device``, ``session``, ``calibrated``, ``drive_voltage_v`` or
    ``drive_level_dbfs``, and those that sessions may state (``author``, ``organization``, ``manufacturer``,
    ``license``, ``comment``, ``started``).
    """
    azimuth, elevation = written_angles_deg(far_field.directions)
    radius = np.full(azimuth.size, _distance_m(far_field))
    positions = np.column_stack([np.mod(azimuth, 360.0), elevation, radius])
    receivers = Variable(
        "ReceiverPosition", ("R", "C"), positions, {"Type": "spherical", "Units": "degree, degree, metre"}
    )
    return _file(far_field, channel, facts, receivers, far_field.pressure_pa[:, channel], {})


def aes69_harmonics_bytes(far_field: FarField, channel: int, coefficients_pa: Complexes, facts: Facts) -> bytes:
    """The same as coefficients (frequency, coefficient) of real spherical harmonics, along the receivers.

    Harmonics are those of ``waves.harmonics.real_coefficients``, about the axis origin in output axes: their sum is
    the pressure that the other file holds, in any direction. ``ValueError`` for a number of coefficients that is no
    square, or above ``MOST_COEFFICIENTS``.
    """
    count = coefficients_pa.shape[1]
    if round(count**0.5) ** 2 != count or not 0 < count <= MOST_COEFFICIENTS:
        raise ValueError(f"{count} coefficients; needed (degree + 1) squared, at most {MOST_COEFFICIENTS}")
    positions = np.zeros((count, 3))
    positions[:, 2] = _distance_m(far_field)
    receivers = Variable(
        "ReceiverPosition", ("R", "C"), positions, {"Type": "spherical harmonics", "Units": "degree, degree, metre"}
    )
    return _file(far_field, channel, facts, receivers, coefficients_pa, {"SphericalHarmonics": _HARMONICS})


def _file(
    far_field: FarField, channel: int, facts: Facts, receivers: Variable, values: Complexes, more: Mapping[str, str]
) -> bytes:
    """``values`` (frequency, receiver) with everything that goes around them."""
    name = ascii_line(far_field.channel_names[channel]) or "channel"
    unit = {"Units": "pascal" if facts.get("calibrated", 1) else "relative"}
    spectra = values.T[None]
    variables = [
        *_places(),
        receivers,
        Variable("EmitterDescriptions", ("E", "S"), np.array([[c.encode() for c in name]], dtype="S1")),
        Variable("N", ("N",), far_field.frequency_hz, {"LongName": "frequency", "Units": "hertz"}),
        Variable("Data.Real", ("M", "R", "N"), np.ascontiguousarray(spectra.real), unit),
        Variable("Data.Imag", ("M", "R", "N"), np.ascontiguousarray(spectra.imag), unit),
    ]
    power_w = far_field.sound_power_w[:, channel]
    if not np.isnan(power_w).all():
        variables.append(Variable("SoundPower", ("M", "N"), power_w[None], {"Units": "watt"}))
    if far_field.verdict is not None:
        codes = far_field.verdict[:, channel].astype(np.float64)
        variables.append(Variable("VerdictCode", ("M", "N"), codes[None], {"Units": "1", "Codes": verdict_legend()}))
    dimensions = {
        "I": 1,
        "C": 3,
        "R": spectra.shape[1],
        "E": 1,
        "N": spectra.shape[2],
        "M": 1,
        "S": len(name),
    }
    return netcdf_file(dimensions, variables, {**_global_attributes(far_field, name, facts), **more})


def _places() -> list[Variable]:
    """Loudspeaker and microphones about the axis origin, in output axes."""

    def vector(name: str, components: tuple[float, float, float], **attributes: str) -> Variable:
        return Variable(name, ("E" if name.startswith("Emitter") else "I", "C"), np.array([components]), attributes)

    origin, forward, up = (0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 0.0, 1.0)
    return [
        vector("ListenerPosition", origin, **_CARTESIAN),
        vector("ListenerView", forward, **_CARTESIAN),
        vector("ListenerUp", up),
        vector(
            "SourcePosition",
            origin,
            **_CARTESIAN,
            Reference="The axis origin: the point that angles and distances count from",
        ),
        vector(
            "SourceView", forward, **_CARTESIAN, Reference="Along the reference axis, the direction called on axis"
        ),
        vector("SourceUp", up, Reference="The direction called up, made orthogonal to the reference axis"),
        vector("EmitterPosition", origin, **_CARTESIAN),
    ]


def _global_attributes(far_field: FarField, channel_name: str, facts: Facts) -> dict[str, str]:
    """Every global attribute: what the standard demands, what reading back needs, and the other facts."""
    stated = {_NAMES.get(name) or _capitals(name): ascii_line(fact) for name, fact in facts.items() if fact != ""}
    date = _date(str(facts.get("started", "")))
    package = version("fieldproc")
    calibrated = bool(facts.get("calibrated", 1))
    far = np.isinf(far_field.distance_m)
    numbers = {
        "SoundSpeed": far_field.sound_speed_m_per_s,
        "AirDensity": far_field.air_density_kg_per_m3,
        "ReferenceDistance": far_field.reference_distance_m,
        "FieldDistance": far_field.distance_m,
    }
    return {
        **_UNSTATED,
        **stated,
        **_CONVENTION,
        "DateCreated": date,
        "DateModified": date,
        "APIName": "fieldproc",
        "APIVersion": package,
        "ApplicationName": "fieldproc",
        "ApplicationVersion": package,
        "History": f"{'date unknown; ' if date == UNKNOWN_DATE else ''}computed, not measured in these directions",
        "Description": (
            f"{'Far-field pressure scaled to' if far else 'Pressure at'} the distance of the receivers, rms at the "
            "stated drive; propagation over that distance is removed; time exp(+i omega t)"
        ),
        "EmitterDescription": channel_name,
        "Calibrated": repr(int(calibrated)),
        "PhaseKnown": repr(int(far_field.phase_known)),
        **{name: repr(float(number)) for name, number in numbers.items() if not np.isnan(number)},
    }


def _capitals(name: str) -> str:
    return "".join(part[:1].upper() + part[1:] for part in name.split("_"))


def _distance_m(far_field: FarField) -> float:
    far = np.isinf(far_field.distance_m)
    return far_field.reference_distance_m if far else far_field.distance_m


def _date(stated: str) -> str:
    """An ISO 8601 time as the standard writes it, in UTC where its zone is stated."""
    try:
        moment = datetime.fromisoformat(stated)
        if moment.tzinfo is not None:
            moment = moment.astimezone(UTC).replace(tzinfo=None)
    except (ValueError, OverflowError):
        return UNKNOWN_DATE
    return moment.isoformat(sep=" ", timespec="seconds")
