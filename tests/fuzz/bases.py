"""Sound files of every layout that the readers meet, each small, so that blind mutations hit its structure.

``write_bases`` makes them; ``READERS`` tells which reader each is for.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from fieldproc.records import (
    Air,
    Cabinet,
    Drive,
    Expansion,
    FarField,
    ImpulseResponses,
    Quality,
    ReferenceAxis,
    Session,
    Sigma,
    TransferFunctions,
)
from fieldproc.results import field_bytes, read_field
from fieldproc.results.aes69_file import aes69_bytes
from fieldproc.session import open_input, write_session

Reader = Callable[[Path], Any]

POINTS, SAMPLES, RATE_HZ = 12, 24, 8000.0
# Files with a checksum on everything: no mutation may change what they say.
OWN = ("own_impulse", "own_transfer", "field_own")
READERS: dict[str, Reader] = {
    "own_impulse": open_input,
    "own_transfer": open_input,
    "foreign_default": open_input,
    "foreign_latest": open_input,
    "fir_default": open_input,
    "directivity_own": open_input,
    "field_own": read_field,
}


def write_bases(folder: Path) -> None:
    """One file per entry of ``READERS``, named after it."""
    generator = np.random.default_rng(2)
    write_session(_session(generator, impulses=True), folder / "own_impulse")
    write_session(_session(generator, impulses=False), folder / "own_transfer")
    _write_foreign(folder / "foreign_default", generator, "earliest")
    _write_foreign(folder / "foreign_latest", generator, "latest")
    _write_fir(folder / "fir_default", generator)
    (folder / "directivity_own").write_bytes(aes69_bytes(_far_field(generator), 0, {"title": "practice"}))
    context = {"drive_voltage_v": 2.83, "title": "Übung"}
    (folder / "field_own").write_bytes(field_bytes(_expansion(generator), ReferenceAxis(), context))


def _positions(generator: np.random.Generator) -> np.ndarray:
    directions = generator.normal(size=(POINTS, 3))
    return 0.4 * directions / np.linalg.norm(directions, axis=1, keepdims=True)


def _complex(generator: np.random.Generator, *shape: int) -> np.ndarray:
    return generator.normal(size=shape) + 1j * generator.normal(size=shape)


def _session(generator: np.random.Generator, *, impulses: bool) -> Session:
    response: ImpulseResponses | TransferFunctions
    if impulses:
        # one dataset large enough for the writer to compress, which is another path of the library
        response = ImpulseResponses(generator.normal(size=(2, POINTS, 4 * SAMPLES)), RATE_HZ)
    else:
        response = TransferFunctions(_complex(generator, 5, 2, POINTS), 100.0 + np.arange(5))
    return Session(
        name="made",
        title="practice",
        device="box",
        attributes={"comment": "a"},
        positions_m=_positions(generator),
        response=response,
        unit="Pa/V",
        channel_names=("low", "high"),
        valid=np.ones(POINTS, dtype=np.bool_),
        surface=np.arange(POINTS) % 2,
        air=Air(None, np.full(POINTS, 21.0), 40.0, 99e3),
        drive=Drive(2.0),
        cabinet=Cabinet(np.array([0.3, 0.2, 0.4]), np.zeros(3)),
        sigma=Sigma(position_m=1e-3),
    )


def _write_foreign(path: Path, generator: np.random.Generator, version: str) -> None:
    """As other people's scripts write: variable-length text, gzip, a dimension scale, no checksum of their own."""
    with h5py.File(path, "w", libver=version) as file:
        file.attrs.update({"schema": "pressure-scan", "schema_version": "1.0", "title": "théâtre", "device": "box"})
        file["positions"] = _positions(generator)
        file["positions"].attrs["units"] = "m"
        responses = generator.normal(size=(1, POINTS, SAMPLES)).astype("f4")
        response = file.create_dataset("impulse_response", data=responses, compression="gzip", chunks=(1, 5, SAMPLES))
        response.attrs.update({"units": "Pa/V", "sampling_rate_hz": 48000})
        file["channel"] = ["full range"]
        file["channel"].make_scale("channel")
        response.dims[0].attach_scale(file["channel"])
        file["valid"] = np.ones(POINTS, dtype=np.bool_)
        file["air/temperature_c"] = 20.5


def _write_fir(path: Path, generator: np.random.Generator) -> None:
    """AES69 GeneralFIR with the library's defaults."""
    with h5py.File(path, "w") as file:
        file.attrs.update({"Conventions": "SOFA", "Version": "2.1", "SOFAConventions": "GeneralFIR", "Title": "t"})
        variables: dict[str, tuple[Any, dict[str, str]]] = {
            "Data.IR": (generator.normal(size=(1, POINTS, SAMPLES)), {"Units": "Pa/V"}),
            "Data.SamplingRate": ([48000.0], {"Units": "hertz"}),
            "Data.Delay": (np.zeros((1, POINTS)), {}),
            "ReceiverPosition": (_positions(generator)[..., None], {"Type": "cartesian", "Units": "metre"}),
            "SourceView": ([[1.0, 0.0, 0.0]], {"Type": "cartesian", "Units": "metre"}),
        }
        for name, (values, attributes) in variables.items():
            file[name] = np.asarray(values)
            file[name].attrs.update(attributes)
        file["EmitterDescriptions"] = ["full range"]


def _far_field(generator: np.random.Generator) -> FarField:
    directions = generator.normal(size=(POINTS, 3))
    return FarField(
        frequency_hz=100.0 * np.arange(1, 6),
        directions=directions / np.linalg.norm(directions, axis=1, keepdims=True),
        pressure_pa=_complex(generator, 5, 1, POINTS),
        sound_power_w=np.full((5, 1), 1e-3),
        verdict=np.zeros((5, 1), dtype=np.int64),
        distance_m=np.inf,
        reference_distance_m=1.0,
        channel_names=("full range",),
        phase_known=True,
        air_density_kg_per_m3=1.2,
        sound_speed_m_per_s=343.0,
    )


def _expansion(generator: np.random.Generator) -> Expansion:
    sizes = {"frequency": 3, "channel": 1, "point": POINTS}
    quality: dict[str, Any] = {
        name: generator.normal(size=[sizes[axis] for axis in axes]) for name, axes in Quality.AXES.items()
    }
    quality["verdict"] = np.zeros((3, 1), dtype=np.int64)
    return Expansion(
        frequency_hz=np.array([100.0, 200.0, 400.0]),
        outgoing=_complex(generator, 3, 1, 9),
        regular=_complex(generator, 3, 1, 4),
        outgoing_order=np.full(3, 2),
        regular_order=np.full(3, 1),
        origin_m=np.zeros((3, 3)),
        acoustic_center_m=np.zeros((3, 3)),
        sound_speed_m_per_s=343.2,
        air_density_kg_per_m3=1.204,
        source_radius_m=0.25,
        channel_names=("full range",),
        quality=Quality(**quality),
        absorption_db_per_m=np.full(3, 0.01),
        points_m=_positions(generator),
        notices=("temperature not stated: 20 degrees taken",),
    )
