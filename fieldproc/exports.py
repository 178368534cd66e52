"""The files that come of a far field: tables, and exports for other programs, as bytes. Writes nothing."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence

import numpy as np

from fieldproc.conventions import Complexes, Floats, Integers, power_db
from fieldproc.derive import Radiation, Tables
from fieldproc.errors import NumericalError
from fieldproc.impulse import ImpulseResponse, impulse_response
from fieldproc.outcome import channel_folder, channel_prefix, hertz_words, table_files
from fieldproc.records import Facts, FarField, Scalar, Table, Verdict
from fieldproc.results import (
    aes69_bytes,
    aes69_harmonics_bytes,
    csv_bytes,
    curves_json_bytes,
    direction_name,
    netcdf_bytes,
    sidecar_bytes,
    text_files,
    wav_bytes,
    written_angles_deg,
)
from fieldproc.settings import ExportSettings, Settings
from fieldproc.tables import common_facts
from fieldproc.waves.harmonics import real_coefficients

# Curves over the frequencies of the far field that are no polars, whose levels the balloon holds.
_CURVES = ("cta2034a", "directivity", "time")
# Tables that tell of the scan and not of the sound.
_OF_SCANS = ("points", "responses")


def derived_files(
    radiation: Radiation, tables: Sequence[Tables], settings: Settings, facts: Facts
) -> tuple[dict[str, bytes], dict[str, Scalar]]:
    """Tables and exports of every channel by path in the result folder, and the single numbers.

    Of several channels, numbers are called ``channel_K_NAME``.
    """
    names = radiation.balloon.channel_names
    files = table_files(tables)
    scalars: dict[str, Scalar] = {}
    for channel, of_channel in enumerate(tables):
        own = radiation.scalars(settings, facts, channel)
        exported = export_files(radiation, of_channel, own, settings.exports, facts, channel)
        below = channel_folder("exports", channel, len(names))
        files |= {f"{below}/{name}": data for name, data in exported.items()}
        scalars |= named_by_channel(own, channel, len(names))
    return files, scalars


def named_by_channel(scalars: Mapping[str, Scalar], channel: int, channels: int) -> dict[str, Scalar]:
    """Single numbers as the summary calls them: after their channel, where there are several."""
    prefix = channel_prefix(channel, channels)
    return {f"{prefix}{name}": scalar for name, scalar in scalars.items()}


def export_files(
    radiation: Radiation,
    tables: Mapping[str, Table],
    scalars: Mapping[str, Scalar],
    settings: ExportSettings,
    facts: Facts,
    channel: int,
) -> dict[str, bytes]:
    """Files of one channel by their path below its folder of exports."""
    facts = {
        **common_facts(radiation.balloon, channel, 0, facts),
        **facts,
        "verdict": _verdict_words(radiation.balloon.frequency_hz, radiation.verdict[:, channel]),
    }
    files: dict[str, bytes] = {}
    if "aes69" in settings.formats:
        files["directivity.sofa"] = aes69_bytes(radiation.balloon, channel, facts)
    if radiation.harmonics is not None:
        real = real_coefficients(radiation.harmonics[:, channel])
        told = {
            **facts,
            "harmonics_beyond": _beyond_words(radiation.balloon, radiation.harmonics[:, channel], channel),
        }
        files["directivity_harmonics.sofa"] = aes69_harmonics_bytes(radiation.balloon, channel, real, told)
    if "netcdf" in settings.formats:
        curves = [tables[name] for name in _CURVES if name in tables]
        files["directivity.nc"] = netcdf_bytes(radiation.balloon, channel, facts, curves, scalars)
    if "json" in settings.formats:
        curves = [table for name, table in tables.items() if name not in _OF_SCANS]
        files["curves.json"] = curves_json_bytes(curves, scalars, facts)
    if "text" in settings.formats:
        texts = text_files(radiation.polars, facts, channel)
        files |= {f"text/{name}": data for name, data in texts.items()}
    if "impulse" in settings.formats and radiation.polars.phase_known:
        files |= {f"impulse/{name}": data for name, data in _impulse_files(radiation, facts, channel).items()}
    return files


def _impulse_files(radiation: Radiation, facts: Facts, channel: int) -> dict[str, bytes]:
    """A WAV file for each direction, and a table of what they are; sample 0 is at the same time in all channels.

    None where too few frequencies are known.
    """
    frequency_hz, usable_pa = radiation.polars.frequency_hz, radiation.usable_polars(channel)
    azimuth_deg, elevation_deg = written_angles_deg(radiation.polars.directions)
    files, found, start_s, delay_s = {}, {}, _first_sample_s(radiation), None
    for direction, (azimuth, elevation) in enumerate(zip(azimuth_deg.tolist(), elevation_deg.tolist(), strict=True)):
        name = direction_name(azimuth, elevation)
        if name in found:
            continue
        try:
            response = impulse_response(frequency_hz, usable_pa[:, direction], start_s=start_s, about_s=delay_s)
        except NumericalError:
            continue
        # the first delay is looked for over half a second, the others near it
        delay_s = float(response.facts["delay_s"])
        files[f"{name}.wav"] = wav_bytes(response.samples_pa, response.sampling_rate_hz)
        found[name] = (azimuth, elevation, response)
    if not found:
        return {}
    table = _listed(list(found.values()), facts)
    return {**files, "impulse.csv": csv_bytes(table), "impulse.csv-metadata.json": sidecar_bytes(table)}


def _first_sample_s(radiation: Radiation) -> float | None:
    """When the files of all channels begin: as the first channel that has a response asks."""
    for channel in range(len(radiation.polars.channel_names)):
        with contextlib.suppress(NumericalError):
            return impulse_response(radiation.polars.frequency_hz, radiation.usable_polars(channel)[:, 0]).start_s
    return None


def _listed(found: list[tuple[float, float, ImpulseResponse]], facts: Facts) -> Table:
    """A row for each file: its direction and the numbers that go with its samples; words are facts of the table."""
    stated = [response.facts for _, _, response in found]
    numbers = [name for name, value in stated[0].items() if not isinstance(value, str)]
    columns = {
        "azimuth_deg": np.array([azimuth for azimuth, _, _ in found]),
        "elevation_deg": np.array([elevation for _, elevation, _ in found]),
        **{name: np.array([float(own[name]) for own in stated]) for name in numbers},
    }
    words = {name: value for name, value in stated[0].items() if isinstance(value, str)}
    told = {"content": "impulse responses, az+030_el+000.wav and so on: 32-bit float, one channel"}
    return Table.of_columns("impulse", columns, {**facts, **told, **words})


def _verdict_words(frequency_hz: Floats, verdict: Integers) -> str:
    """Which frequencies are good, caution, or not to be used, for readers that see one file alone."""
    starts = np.flatnonzero(np.diff(verdict, prepend=-1))
    ends = np.append(starts[1:], verdict.size) - 1
    hertz = [hertz_words(float(frequency)) for frequency in frequency_hz]
    told = [
        f"{Verdict(int(verdict[first])).words} {hertz[first]} to {hertz[last]} Hz"
        for first, last in zip(starts, ends, strict=True)
    ]
    return "; ".join(told)


def _beyond_words(far_field: FarField, coefficients: Complexes, channel: int) -> str:
    """Which part of the sound power the coefficients (frequency, coefficient) of a far field leave out."""
    degree = round(np.sqrt(coefficients.shape[1])) - 1
    impedance = far_field.air_density_kg_per_m3 * far_field.sound_speed_m_per_s
    held_w = np.sum(np.abs(coefficients) ** 2, axis=1) * far_field.reference_distance_m**2 / impedance
    beyond = 1.0 - held_w / far_field.sound_power_w[:, channel]
    if np.isfinite(far_field.distance_m) or not np.isfinite(beyond).any():
        return f"not known beyond degree {degree}"
    worst = int(np.nanargmax(beyond))
    # sums of thousands of squares agree to 1e-12
    level = power_db(np.maximum(beyond[worst], 1e-12))
    hertz = hertz_words(float(far_field.frequency_hz[worst]))
    return f"at most {level:.0f} dB of the power, at {hertz} Hz, beyond degree {degree}"
