"""Single numbers of one channel: sensitivity, low-frequency limits, effective range, flatness, slope in a room.

Every number is a function of one curve of ``cta2034a``. To first order it changes by its influence, so much per dB at
every frequency; through that the error vectors of the far field reach it, all frequencies together, and variances add
as beside the tables (``bands``): value -+ 2 standard uncertainties, in dB or in octaves. Where a far field has no
errors the ends are nan, but for the limits, which know the scatter of the curve that they are read off.

A frequency of verdict "do not use" takes no part. A number over a band rests on what remains of it, and is nan where
that is less than three quarters of its octaves; its note says so.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from threadpoolctl import threadpool_limits

from fieldproc.conventions import REFERENCE_DISTANCE_M, Booleans, Floats, Integers, amplitude_db, power_db
from fieldproc.records import Facts, FarField, Scalar, Verdict
from fieldproc.settings import Band, ScalarSettings, TableSettings
from fieldproc.tables.averages import overlaps, share_edges
from fieldproc.tables.bands import COVERAGE_FACTOR, standard_uncertainty
from fieldproc.tables.cta2034a import curve_columns
from fieldproc.tables.low_limit import (
    Estimate,
    effective_range,
    loudest_octave,
    lowest_crossing,
    mean_level,
    mean_square_level,
)

SENSITIVITY_VOLTAGE_V = 2.83
LIMIT_DROPS_DB = (3, 6, 10)
_LEAST_SHARE = 0.75
_NAMES = ("on_axis", "listening_window", "sound_power", "in_room_estimate")
_LEVEL_UNIT = "dB re 20 uPa"


@dataclass(frozen=True, slots=True)
class _Curve:
    """A curve at the frequencies that may be used (line,), and what errors do to its levels (vector, line)."""

    edges: Floats
    usable: Booleans
    octave: Floats
    level_db: Floats
    errors_db: Floats | None
    draws: int

    def within(self, band_hz: Band) -> tuple[Floats | None, str]:
        """Octaves (line,) of a band that lines stand for, ``None`` if too few; and words on the band."""
        lower, upper = np.log2(band_hz)
        weights = overlaps(self.edges, np.array([lower]), np.array([upper]))[0][self.usable]
        share = float(weights.sum() / (upper - lower))
        words = f"{band_hz[0]:g} to {band_hz[1]:g} Hz"
        if share < _LEAST_SHARE:
            return None, f"{words}: not known, only {share:.0%} of it may be used"
        return weights, words if share > 0.995 else f"{words}, of which {share:.0%} may be used"

    def uncertainty(self, estimate: Estimate) -> float:
        """Standard uncertainty by the errors, or by scatter where that is larger or all there is."""
        if self.errors_db is None:
            return estimate.scatter
        effects = self.errors_db @ estimate.influence
        return float(np.fmax(standard_uncertainty(effects, self.draws), estimate.scatter))


@dataclass(frozen=True, slots=True)
class _Results:
    scalars: dict[str, Scalar] = field(default_factory=dict)
    notes: dict[str, str] = field(default_factory=dict)

    def add(self, name: str, unit: str, curve: _Curve, estimate: Estimate | None, note: str) -> None:
        """A number read off a curve, ``None`` if it is not known; estimates of frequencies are in octaves re 1 Hz."""
        ends = np.full(3, np.nan)
        if estimate is not None and np.isfinite(estimate.value):
            ends = estimate.value + COVERAGE_FACTOR * curve.uncertainty(estimate) * np.array([0.0, -1.0, 1.0])
            # without errors only the value is known
            ends[0] = estimate.value
        value, low, high = (2.0**ends if unit == "Hz" else ends).tolist()
        self.scalars[name] = Scalar(value, unit, low, high)
        self.notes[name] = note


def scalars_of(
    far_field: FarField,
    settings: ScalarSettings,
    tables: TableSettings,
    facts: Facts,
    channel: int = 0,
    *,
    verdict: Integers | None = None,
    rated_impedance_ohm: float | None = None,
) -> tuple[dict[str, Scalar], dict[str, str]]:
    """Single numbers of one channel by name, and a note on each: what it is, over which band, and why it is nan.

    Parameters
    ----------
    far_field
        Far-field pressure in the directions of the two polars, never a true pressure: sensitivity and all else hold
        for the far field, whatever the tables state. ``ValueError`` otherwise.
    settings, tables
        Bands, and the readings of the standard that the curves follow.
    facts
        Those of the tables. Sensitivities are given where ``drive_voltage_v`` is there and ``calibrated`` is not 0.
    verdict
        Of the frequencies (frequency,) of the channel; by default what the far field's errors say, else all good.
    rated_impedance_ohm
        Without it no characteristic sensitivity.
    """
    if np.isfinite(far_field.distance_m):
        raise ValueError(f"single numbers need a far field, not the pressure at {far_field.distance_m:g} m")
    curves = _curves(far_field, tables, channel, verdict)
    results = _Results()
    if facts.get("calibrated", 1) and "drive_voltage_v" in facts:
        to_one_meter_db = float(amplitude_db(far_field.reference_distance_m / REFERENCE_DISTANCE_M))
        volts = float(facts["drive_voltage_v"])
        _add_sensitivity(results, curves["on_axis"], settings, to_one_meter_db, volts, rated_impedance_ohm)
    # small matrices: more threads only wait for each other
    with threadpool_limits(limits=1, user_api="blas"):
        _add_limits(results, curves[settings.limit_curve.replace(" ", "_")], settings)
        _add_range(results, curves["on_axis"])
    for name in ("on_axis", "listening_window"):
        _add_flatness(results, name, curves[name], settings)
    _add_slope(results, curves["in_room_estimate"], settings)
    return results.scalars, results.notes


def _add_sensitivity(
    results: _Results,
    curve: _Curve,
    settings: ScalarSettings,
    to_one_meter_db: float,
    drive_voltage_v: float,
    rated_impedance_ohm: float | None,
) -> None:
    """IEC 60268-5, 20.3 and 20.4 (numbers from memory): a voltage, or 1 W into the rated impedance, at 1 m."""
    weights, band = curve.within(settings.sensitivity_band_hz)
    mean = None if weights is None else mean_square_level(curve.level_db, weights)
    voltages_v = {"sensitivity_2_83_v_1_m": (SENSITIVITY_VOLTAGE_V, "2.83 V")}
    if rated_impedance_ohm is not None:
        told = f"1 W into the rated {rated_impedance_ohm:g} ohm"
        voltages_v["characteristic_sensitivity_1_w_1_m"] = (float(np.sqrt(rated_impedance_ohm)), told)
    for name, (voltage_v, told) in voltages_v.items():
        gain_db = to_one_meter_db + float(amplitude_db(voltage_v / drive_voltage_v))
        estimate = None if mean is None else replace(mean, value=mean.value + gain_db)
        note = f"on axis at {told}, far field scaled to 1 m: mean of squared pressure over log frequency, {band}"
        results.add(name, _LEVEL_UNIT, curve, estimate, note)


def _add_limits(results: _Results, curve: _Curve, settings: ScalarSettings) -> None:
    weights, band = curve.within(settings.limit_band_hz)
    reference = None if weights is None else mean_level(curve.level_db, weights)
    for drop_db in LIMIT_DROPS_DB:
        estimate = None
        note = f"{settings.limit_curve} {drop_db} dB below its mean level in dB over log frequency, {band}"
        if reference is not None:
            below = float(np.log2(settings.limit_band_hz[1]))
            estimate = lowest_crossing(curve.octave, curve.level_db, reference, drop_db, below)
            note += _not_reached(curve, estimate)
        results.add(f"low_frequency_limit_{drop_db}_db", "Hz", curve, estimate, note)


def _add_range(results: _Results, curve: _Curve) -> None:
    """IEC 60268-5, 21.2 (number from memory; the definition as quoted in a maker's glossary)."""
    note = (
        "on axis 10 dB below its mean square over the octave of greatest sensitivity, dips narrower than 1/9 octave "
        "ignored (IEC 60268-5)"
    )
    loudest, middle = loudest_octave(curve.octave, curve.level_db)
    ends = effective_range(curve.octave, curve.level_db, loudest, middle)
    for name, estimate in zip(("lowest", "highest"), ends, strict=True):
        told = note + _not_reached(curve, estimate)
        results.add(f"effective_frequency_range_{name}", "Hz", curve, estimate, told)


def _add_flatness(results: _Results, name: str, curve: _Curve, settings: ScalarSettings) -> None:
    weights, band = curve.within(settings.flatness_band_hz)
    for side, extreme in (("highest", np.argmax), ("lowest", np.argmin)):
        estimate = None
        if weights is not None:
            mean = mean_level(curve.level_db, weights)
            inside = np.flatnonzero(weights)
            at = inside[extreme(curve.level_db[inside])]
            influence = -mean.influence
            influence[at] += 1.0
            estimate = Estimate(float(curve.level_db[at]) - mean.value, influence)
        words = name.replace("_", " ")
        note = f"{side} level of the {words} curve, not smoothed, re its mean in dB over log frequency, {band}"
        results.add(f"{name}_{side}_re_mean", "dB", curve, estimate, note)


def _add_slope(results: _Results, curve: _Curve, settings: ScalarSettings) -> None:
    weights, band = curve.within(settings.slope_band_hz)
    estimate = None
    if weights is not None:
        octave = curve.octave - weights @ curve.octave / weights.sum()
        influence = weights * octave / (weights @ octave**2)
        estimate = Estimate(float(influence @ curve.level_db), influence)
    note = f"least squares line through the in-room estimate over log frequency, {band}"
    results.add("in_room_slope", "dB per octave", curve, estimate, note)


def _not_reached(curve: _Curve, estimate: Estimate) -> str:
    if np.isfinite(estimate.value):
        return ""
    if not curve.octave.size:
        return "; not known, no frequency may be used"
    lowest_hz, highest_hz = 2.0 ** curve.octave[[0, -1]]
    return f"; not reached from {lowest_hz:.5g} to {highest_hz:.5g} Hz, between which data may be used"


def _curves(far_field: FarField, tables: TableSettings, channel: int, verdict: Integers | None) -> dict[str, _Curve]:
    """The curves that numbers are read off, by their names without ``_db``."""
    errors = far_field.errors
    if verdict is None:
        verdict = np.zeros(len(far_field.frequency_hz), int) if errors is None else errors.verdict[:, channel]
    octave = np.log2(far_field.frequency_hz)
    powers = _powers(far_field, tables, channel)
    changes = None if errors is None else _level_changes(far_field, powers, tables, channel)
    curves = {}
    for index, name in enumerate(_NAMES):
        usable = (powers[index] > 0.0) & np.isfinite(powers[index]) & (verdict != Verdict.DO_NOT_USE)
        curves[name] = _Curve(
            edges=share_edges(octave),
            usable=usable,
            octave=octave[usable],
            level_db=power_db(powers[index, usable]),
            errors_db=None if changes is None else changes[:, index, usable],
            draws=0 if errors is None else errors.draws,
        )
    return curves


def _powers(far_field: FarField, tables: TableSettings, channel: int) -> Floats:
    """Squared pressures re 20 uPa of the curves (curve, frequency)."""
    columns = curve_columns(far_field, tables, channel)
    return np.asarray(10.0 ** (np.stack([columns[f"{name}_db"] for name in _NAMES]) / 10.0))


def _level_changes(far_field: FarField, powers: Floats, tables: TableSettings, channel: int) -> Floats:
    """First-order changes in dB (vector, curve, frequency) that error vectors make to curves of ``powers``.

    Squared pressures are quadratic: half their difference between plus and minus a vector is exact.
    """
    errors = far_field.errors
    assert errors is not None
    changes = []
    for vector in np.moveaxis(errors.pressure_pa, 2, 0):
        above, below = (
            _powers(replace(far_field, pressure_pa=pressure_pa, errors=None), tables, channel)
            for pressure_pa in (far_field.pressure_pa + vector, far_field.pressure_pa - vector)
        )
        changes.append((above - below) / 2.0)
    # silence has no level, and takes no part
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(10.0 / np.log(10.0) * np.array(changes) / powers)
