"""A far field with everything an export must survive, and facts that somebody else wrote."""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import directions_from_angles
from fieldproc.records import Bands, FarField, Table

AZIMUTH_DEG = np.array([0.0, 30.0, 180.0, -130.0, 0.0, 0.0, 12.5])
ELEVATION_DEG = np.array([0.0, 0.0, 30.0, -60.0, 90.0, -90.0, 7.25])
FREQUENCY_HZ = 20.0 * 2.0 ** (np.arange(5) / 24.0)
CHANNEL = 1

FACTS = {"title": "Küchenregal № 2", "session": "shelf", "drive_voltage_v": 2.83, "calibrated": 1, "note": ""}

HOSTILE = {
    "lines": "a\n# injected: 1\r\n20 1 1\n",
    "next_line": "a\x85b\u2028c\u2029d\x0be",
    "terminal": "\x1b[31mred\x07",
    "null": "before\0after",
    "quotes": "\"double\" 'single' `back` \\ back\\nslash",
    "brackets": ']}{,;#%&<>"',
    "letters": "Größe № 2 λ → ∞ 音",
    "direction": "abc\u202efed",
    "surrogate": "a\ud800b",
    "long": "ä" * 100_000,
    "number": "nan",
}


def balloon(phase_known: bool = True, distance_m: float = np.inf, bands: bool = True) -> FarField:
    """Two channels; a frequency without a fit (row 2), and one direction that is silent at one frequency."""
    rng = np.random.default_rng(7)
    shape = (FREQUENCY_HZ.size, 2, AZIMUTH_DEG.size)
    pressure_pa = rng.normal(size=(*shape, 2)).view(complex)[..., 0]
    if not phase_known:
        pressure_pa = np.abs(pressure_pa).astype(complex)
    pressure_pa[2] = np.nan
    pressure_pa[1, :, 3] = 0.0
    sound_power_w = rng.uniform(1e-4, 1e-2, shape[:2])
    sound_power_w[2] = np.nan
    ends = [rng.normal(size=shape).astype(np.float32) for _ in range(4)]
    return FarField(
        frequency_hz=FREQUENCY_HZ,
        directions=directions_from_angles(AZIMUTH_DEG, ELEVATION_DEG),
        pressure_pa=pressure_pa,
        sound_power_w=sound_power_w,
        distance_m=distance_m,
        channel_names=("woofer", "Hochtöner"),
        reference_distance_m=2.0,
        phase_known=phase_known,
        air_density_kg_per_m3=1.2041,
        sound_speed_m_per_s=343.21,
        bands=Bands(*ends, verdict=np.array([[0, 1], [1, 2], [2, 2], [0, 0], [1, 0]])) if bands else None,
    )


def curves(**facts: str | float | int) -> Table:
    """A table over the frequencies of the balloon."""
    rng = np.random.default_rng(8)
    columns = {name: rng.normal(size=FREQUENCY_HZ.size) for name in ("on_axis_db", "on_axis_low_db", "coverage_deg")}
    columns["on_axis_db"][[1, 2]] = -np.inf, np.nan
    return Table.of_columns("curves", {"frequency_hz": FREQUENCY_HZ, **columns}, facts)
