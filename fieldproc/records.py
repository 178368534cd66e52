"""What crosses a stage, in the order of the flow.

    Session -> Spectra -> Expansion -> FarField -> Table

Frozen dataclasses of plain read-only arrays in SI units. One axis order everywhere after the session:
frequency first, then channel, then point, coefficient or direction. ``AXES`` names the axes of every
array of a class; constructing a record with clashing sizes raises ``ValueError`` naming all clashes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import IntEnum
from typing import Any, ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Booleans, Complexes, Floats, Integers

Axes = Mapping[str, tuple[str, ...]]
# What a table or a file states beside its numbers.
Facts = Mapping[str, str | float | int]
# Numbers of either precision.
AnyComplexes = NDArray[np.complexfloating[Any, Any]]
AnyFloats = NDArray[np.floating[Any]]

# Axes whose length is part of their meaning.
_FIXED_SIZES = {"xyz": 3}


def check_axes(record: object, axes: Axes) -> None:
    """Raise ``ValueError`` naming every array of ``record`` whose shape contradicts ``axes``."""
    sizes: dict[str, tuple[int, str]] = {name: (size, "its meaning") for name, size in _FIXED_SIZES.items()}
    clashes = []
    for name, labels in axes.items():
        array = getattr(record, name)
        if array is None:
            continue
        if array.ndim != len(labels):
            clashes.append(f"{name} has {array.ndim} axes, needs ({', '.join(labels)})")
            continue
        for label, size in zip(labels, array.shape, strict=True):
            known, owner = sizes.setdefault(label, (size, name))
            if known != size:
                clashes.append(f"{name} has {label}={size}, but {owner} sets {label}={known}")
    if clashes:
        raise ValueError(f"{type(record).__name__}: " + "; ".join(clashes))


class _Record:
    """Checks axes and makes arrays read-only (through a view: the caller's own array stays writable).

    ``WITHIN`` names the records within this one that share its axes.
    """

    __slots__ = ()
    AXES: ClassVar[Axes] = {}
    WITHIN: ClassVar[tuple[str, ...]] = ()

    def __post_init__(self) -> None:
        for name in self.AXES:
            array = getattr(self, name)
            if array is not None:
                view = np.asarray(array).view()
                view.setflags(write=False)
                object.__setattr__(self, name, view)
        check_axes(self, self.AXES)

    def picked(self, label: str, which: Integers | Booleans) -> Self:
        """Some of the entries (indices, or True) along the axis of this name, in the records within too."""
        values = {name: getattr(self, name) for name in (*self.AXES, *self.WITHIN)}
        chosen: dict[str, Any] = {
            name: value.picked(label, which) for name, value in values.items() if isinstance(value, _Record)
        }
        for name, labels in self.AXES.items():
            if values[name] is not None and label in labels:
                chosen[name] = values[name][(slice(None),) * labels.index(label) + (which,)]
        return replace(self, **chosen)  # type: ignore[type-var]  # every record is a dataclass


# --- session -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ImpulseResponses(_Record):
    """Recorded impulse responses; ``start_s`` is the time of sample 0 after the excitation."""

    AXES: ClassVar[Axes] = {"values": ("channel", "point", "sample")}
    values: NDArray[np.floating[Any]]
    sampling_rate_hz: float
    start_s: float = 0.0


@dataclass(frozen=True, slots=True)
class TransferFunctions(_Record):
    """Recorded transfer functions on rising frequencies."""

    AXES: ClassVar[Axes] = {"values": ("frequency", "channel", "point"), "frequency_hz": ("frequency",)}
    values: NDArray[np.complexfloating[Any, Any]]
    frequency_hz: Floats


@dataclass(frozen=True, slots=True)
class Air(_Record):
    """What the file says of the air; arrays have one value per point. ``None`` = not stated."""

    AXES: ClassVar[Axes] = {"sound_speed_m_per_s": ("point",), "temperature_c": ("point",)}
    sound_speed_m_per_s: Floats | None = None
    temperature_c: Floats | None = None
    relative_humidity_percent: float | None = None
    pressure_pa: float | None = None


@dataclass(frozen=True, slots=True)
class Microphone(_Record):
    """Microphone sensitivity, and its response over frequency (measured = true times response)."""

    AXES: ClassVar[Axes] = {"frequency_hz": ("microphone_frequency",), "response": ("microphone_frequency",)}
    sensitivity_v_per_pa: float | None = None
    frequency_hz: Floats | None = None
    response: Complexes | None = None


@dataclass(frozen=True, slots=True)
class ReferenceAxis(_Record):
    """The point that angles and distances count from, and the directions "on axis" and "up"."""

    AXES: ClassVar[Axes] = {"origin_m": ("xyz",), "direction": ("xyz",), "up": ("xyz",)}
    origin_m: Floats = field(default_factory=lambda: np.zeros(3))
    direction: Floats = field(default_factory=lambda: np.array([1.0, 0.0, 0.0]))
    up: Floats = field(default_factory=lambda: np.array([0.0, 0.0, 1.0]))


@dataclass(frozen=True, slots=True)
class Cabinet(_Record):
    """The box: depth, width, height along x, y, z, and its centre."""

    AXES: ClassVar[Axes] = {"size_m": ("xyz",), "center_m": ("xyz",)}
    size_m: Floats
    center_m: Floats


@dataclass(frozen=True, slots=True)
class Drive(_Record):
    """Drive level that results are stated for, and the drive signal recorded with each point."""

    AXES: ClassVar[Axes] = {"reference": ("point", "reference_sample")}
    voltage_v: float = 2.83
    level_dbfs: float | None = None
    reference: NDArray[np.floating[Any]] | None = None
    reference_sampling_rate_hz: float | None = None


@dataclass(frozen=True, slots=True)
class Noise(_Record):
    """Records taken with the loudspeaker silent, in the units of the responses."""

    AXES: ClassVar[Axes] = {"values": ("channel", "noise_record", "sample")}
    values: NDArray[np.floating[Any]]
    sampling_rate_hz: float


@dataclass(frozen=True, slots=True)
class Room(_Record):
    """First-reflection delay per point, and reflector distances front, rear, left, right, up, down."""

    AXES: ClassVar[Axes] = {"first_reflection_s": ("point",), "reflector_distances_m": ("side",)}
    first_reflection_s: Floats | None = None
    reflector_distances_m: Floats | None = None


@dataclass(frozen=True, slots=True)
class KnownSource(_Record):
    """A point source whose place (and volume velocity per volt) is known."""

    AXES: ClassVar[Axes] = {"position_m": ("xyz",)}
    position_m: Floats
    volume_velocity_m3_per_s_per_v: float | None = None


@dataclass(frozen=True, slots=True)
class Sigma:
    """Standard uncertainties the file states. ``None`` = not stated."""

    position_m: float | None = None
    surface_gain_db: float | None = None
    surface_radius_m: float | None = None
    sound_speed_m_per_s: float | None = None
    latency_s: float | None = None


@dataclass(frozen=True, slots=True)
class Session(_Record):
    """One scan, as its file states it, in SI units.

    ``unit`` is "Pa/V", "V/V" or "Pa/FS". ``valid`` is False for points the file says to leave out.
    ``calibrated`` is False where the file leaves open what its numbers mean in pascal.
    ``surface`` is -1 throughout when the file does not name surfaces. ``integrity`` says whether the
    content was checked against a stored digest ("verified") or could not be ("no integrity check").
    """

    AXES: ClassVar[Axes] = {
        "positions_m": ("point", "xyz"),
        "valid": ("point",),
        "surface": ("point",),
        "measured_at_s": ("point",),
    }
    name: str
    title: str
    device: str
    attributes: Mapping[str, str]
    positions_m: Floats
    response: ImpulseResponses | TransferFunctions
    unit: str
    channel_names: tuple[str, ...]
    valid: Booleans
    surface: Integers
    axis: ReferenceAxis = field(default_factory=ReferenceAxis)
    air: Air = field(default_factory=Air)
    microphone: Microphone = field(default_factory=Microphone)
    drive: Drive = field(default_factory=Drive)
    cabinet: Cabinet | None = None
    rated_impedance_ohm: float | None = None
    measured_at_s: Floats | None = None
    noise: Noise | None = None
    room: Room = field(default_factory=Room)
    known_source: KnownSource | None = None
    sigma: Sigma = field(default_factory=Sigma)
    calibrated: bool = True
    sha256: str = ""
    integrity: str = "no integrity check"
    notices: tuple[str, ...] = ()


# --- condition ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DroppedPoint:
    """A point of the file that takes no part, and why."""

    index: int
    reason: str


@dataclass(frozen=True, slots=True)
class Causes(_Record):
    """What may still be wrong with the apparatus, all points in common; defined in ``expand/causes.py``.

    ``names`` of the parameters, in their units; errors are ``deviation`` times independent unit numbers. ``outer``
    are the surfaces that are compared with the innermost; knots of slow changes lie at ``knots_s``.
    """

    AXES: ClassVar[Axes] = {"deviation": ("parameter", "unit_number"), "outer": ("outer",), "knots_s": ("knot",)}
    names: tuple[str, ...]
    deviation: Floats
    outer: Integers
    knots_s: Floats


@dataclass(frozen=True, slots=True)
class Correction:
    """An error of the apparatus that the scan showed, taken out of the pressures: its value in dB, mm or us."""

    name: str
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class Lost(_Record):
    """Places where a record was taken that is of no use; ``file_point`` is its index in the file."""

    AXES: ClassVar[Axes] = {"positions_m": ("lost", "xyz"), "surface": ("lost",), "file_point": ("lost",)}
    positions_m: Floats
    surface: Integers
    file_point: Integers


@dataclass(frozen=True, slots=True)
class Gated(_Record):
    """Pressures as in :class:`Spectra`, of responses that end before the first reflection.

    ``length_s`` is the time from the direct sound to that end; ``tail_db`` the rms change over the points, re their
    rms, that a shorter gate makes. ``noise_pa`` is the rms noise of the pressure (``None`` = not known).
    """

    AXES: ClassVar[Axes] = {
        "pressure_pa": ("frequency", "channel", "point"),
        "length_s": ("point",),
        "tail_db": ("frequency", "channel"),
        "noise_pa": ("frequency", "channel", "point"),
    }
    pressure_pa: Complexes
    length_s: Floats
    tail_db: Floats
    noise_pa: Floats | None = None


@dataclass(frozen=True, slots=True)
class Waterfall(_Record):
    """Recorded responses of a few points, as levels over time: the largest sample of every bin re that of all shown.

    ``time_s`` are the middles of the bins; it counts from the earliest direct sound of the scan. ``direct_s`` is when
    the direct sound of a point begins, ``gate_end_s`` when its gate has closed (nan = no gate).
    """

    AXES: ClassVar[Axes] = {
        "time_s": ("bin",),
        "level_db": ("channel", "shown", "bin"),
        "file_point": ("shown",),
        "positions_m": ("shown", "xyz"),
        "surface": ("shown",),
        "direct_s": ("shown",),
        "gate_end_s": ("shown",),
    }
    time_s: Floats
    level_db: Floats
    file_point: Integers
    positions_m: Floats
    surface: Integers
    direct_s: Floats
    gate_end_s: Floats


@dataclass(frozen=True, slots=True)
class Spectra(_Record):
    """Calibrated rms pressure phasors at the drive voltage, one row per point that takes part.

    ``usable`` is False where the recording carries nothing at a frequency (above 0.4535 of the sampling
    rate); the pressure there is nan. ``file_point`` is the index of the (first) point in the file;
    ``repeats`` says how many records were averaged into it, ``measured_at_s`` when (their mean).
    ``noise_pa`` is the rms noise of the pressure, ``late_db`` the level of the sound that the end of the records
    cuts off re the whole, ``gated`` what comes before the room does. ``absorption_db_per_m`` holds in the air that
    ``absorption_air`` describes.
    ``sampling_rate_hz`` is that of impulse responses. ``None`` = not known.

    ``lost`` are places whose records are of no use; ``left_out`` points, whose pressure means nothing, keep their
    rows so that rings stay complete. ``drifted``: something changed during the scan; ``doubts`` are faults of its
    geometry, in words. ``sigma`` is what the session
    states of its errors, ``put_right`` what was found of them in the scan and taken out, ``causes`` what may be left
    of those that all points have in common. ``waterfall`` is a picture of the responses.
    """

    AXES: ClassVar[Axes] = {
        "frequency_hz": ("frequency",),
        "pressure_pa": ("frequency", "channel", "point"),
        "usable": ("frequency",),
        "positions_m": ("point", "xyz"),
        "sound_speed_m_per_s": ("point",),
        "surface": ("point",),
        "file_point": ("point",),
        "repeats": ("point",),
        "measured_at_s": ("point",),
        "left_out": ("point",),
        "noise_pa": ("frequency", "channel", "point"),
        "late_db": ("frequency", "channel"),
        "absorption_db_per_m": ("frequency",),
    }
    WITHIN: ClassVar[tuple[str, ...]] = ("gated",)
    frequency_hz: Floats
    pressure_pa: Complexes
    usable: Booleans
    positions_m: Floats
    sound_speed_m_per_s: Floats
    surface: Integers
    file_point: Integers
    repeats: Integers
    channel_names: tuple[str, ...]
    air_density_kg_per_m3: float
    axis: ReferenceAxis = field(default_factory=ReferenceAxis)
    cabinet: Cabinet | None = None
    known_source: KnownSource | None = None
    room: Room = field(default_factory=Room)
    measured_at_s: Floats | None = None
    noise_pa: Floats | None = None
    late_db: Floats | None = None
    gated: Gated | None = None
    absorption_db_per_m: Floats | None = None
    absorption_air: str = ""
    sampling_rate_hz: float | None = None
    lost: Lost | None = None
    left_out: Booleans | None = None
    drifted: bool = False
    doubts: tuple[str, ...] = ()
    sigma: Sigma = field(default_factory=Sigma)
    put_right: tuple[Correction, ...] = ()
    causes: Causes | None = None
    waterfall: Waterfall | None = None
    dropped: tuple[DroppedPoint, ...] = ()
    notices: tuple[str, ...] = ()

    def scaled(self, factor: Complexes | Floats) -> Spectra:
        """All pressures, gated ones and noise too, times a factor (frequency or 1, point)."""
        by = factor[:, None]

        def louder(noise_pa: Floats | None) -> Floats | None:
            return None if noise_pa is None else noise_pa * np.abs(by)

        gated = self.gated
        if gated is not None:
            gated = replace(gated, pressure_pa=gated.pressure_pa * by, noise_pa=louder(gated.noise_pa))
        return replace(self, pressure_pa=self.pressure_pa * by, gated=gated, noise_pa=louder(self.noise_pa))


# --- expand ------------------------------------------------------------------------------------------


class Verdict(IntEnum):
    """May this frequency be believed? The rule is in ``expand/quality.py``."""

    GOOD = 0
    CAUTION = 1
    DO_NOT_USE = 2

    @property
    def words(self) -> str:
        """good, caution, do not use."""
        return self.name.lower().replace("_", " ")


def verdict_legend() -> str:
    """What the codes in tables mean: 0 good; 1 caution; 2 do not use."""
    return "; ".join(f"{verdict.value} {verdict.words}" for verdict in Verdict)


@dataclass(frozen=True, slots=True)
class Quality(_Record):
    """How well the expansion is determined, per frequency and channel; defined in ``expand/quality.py``."""

    AXES: ClassVar[Axes] = {
        "residual_db": ("frequency", "channel"),
        "leave_one_out_db": ("frequency", "channel"),
        "room_to_direct_db": ("frequency", "channel"),
        "random_error_db": ("frequency", "channel"),
        "level_uncertainty_db": ("frequency", "channel"),
        "verdict": ("frequency", "channel"),
        "condition": ("frequency",),
        "noise_gain_db": ("frequency",),
        "truncation_db": ("frequency",),
        "regularisation": ("frequency", "channel"),
        "scattering_db": ("frequency", "channel"),
        "overlap_difference_db": ("frequency", "channel"),
        "gated_share": ("frequency",),
        "point_residual_db": ("channel", "point"),
    }
    residual_db: Floats
    leave_one_out_db: Floats
    room_to_direct_db: Floats
    random_error_db: Floats
    level_uncertainty_db: Floats
    verdict: Integers
    condition: Floats
    noise_gain_db: Floats
    truncation_db: Floats
    regularisation: Floats
    scattering_db: Floats
    overlap_difference_db: Floats
    gated_share: Floats
    point_residual_db: Floats


@dataclass(frozen=True, slots=True)
class Measures(_Record):
    """What an expansion says of itself beyond its :class:`Quality`; defined in ``expand/measures.py``.

    ``surface`` are the numbers of the surfaces (none: they are not named).
    """

    AXES: ClassVar[Axes] = {
        "surface": ("surface",),
        "surface_residual_db": ("frequency", "channel", "surface"),
        "hold_out_db": ("frequency", "channel"),
        "forbidden": ("frequency",),
        "last_degrees_db": ("frequency", "channel"),
        "clear_degree": ("frequency", "channel"),
        "degree_change_db": ("frequency", "channel"),
        "leakage": ("frequency", "channel"),
        "leakage_db": ("frequency", "channel"),
        "power_closure": ("frequency", "channel"),
    }
    surface: Integers
    surface_residual_db: Floats
    hold_out_db: Floats
    forbidden: Integers
    last_degrees_db: Floats
    clear_degree: Floats
    degree_change_db: Floats
    leakage: Floats
    leakage_db: Floats
    power_closure: Floats


@dataclass(frozen=True, slots=True)
class Deviations(_Record):
    """Errors that coefficients may have: per frequency, vectors (channel, vector, coefficient) to add to them.

    The first ``draws`` vectors are drawn at random, each row on its own, and the mean of their squares is a variance.
    Every other is one standard uncertainty of one of ``causes``, the same at all frequencies; their squares add. A
    frequency without a fit has no vectors.
    """

    outgoing: tuple[AnyComplexes, ...]
    regular: tuple[AnyComplexes, ...]
    draws: int
    causes: tuple[str, ...]

    def picked(self, label: str, which: Integers | Booleans) -> Deviations:
        """Some of the frequencies."""
        if label != "frequency":
            return self
        rows = np.arange(len(self.outgoing))[which]
        return replace(
            self,
            outgoing=tuple(self.outgoing[row] for row in rows),
            regular=tuple(self.regular[row] for row in rows),
        )


@dataclass(frozen=True, slots=True)
class Expansion(_Record):
    """Spherical-wave coefficients in pascal about ``origin_m``, scan axes.

    p(x) = sum outgoing[n,m] h_n^(2)(kr) Y_nm + sum regular[n,m] j_n(kr) Y_nm. Columns beyond a
    frequency's order hold zeros; ``regular_order`` is -1 where no regular set was fitted.
    ``acoustic_center_m`` is the origin about which the far field needs the lowest degrees (nan = not known).
    The waves know no losses: ``absorption_db_per_m`` is what the air takes from them (``None`` = not known).
    ``deviations`` are the errors that the coefficients may have (``None`` = not asked for), ``measures`` what else is
    known of them. ``points_m`` are the points that it rests on, in scan axes (``None`` = not known).
    """

    AXES: ClassVar[Axes] = {
        "frequency_hz": ("frequency",),
        "outgoing": ("frequency", "channel", "outgoing_coefficient"),
        "regular": ("frequency", "channel", "regular_coefficient"),
        "outgoing_order": ("frequency",),
        "regular_order": ("frequency",),
        "origin_m": ("frequency", "xyz"),
        "acoustic_center_m": ("frequency", "xyz"),
        "absorption_db_per_m": ("frequency",),
        "points_m": ("point", "xyz"),
    }
    WITHIN: ClassVar[tuple[str, ...]] = ("quality", "deviations", "measures")
    frequency_hz: Floats
    outgoing: Complexes
    regular: Complexes
    outgoing_order: Integers
    regular_order: Integers
    origin_m: Floats
    acoustic_center_m: Floats
    sound_speed_m_per_s: float
    air_density_kg_per_m3: float
    source_radius_m: float
    channel_names: tuple[str, ...]
    quality: Quality
    absorption_db_per_m: Floats | None = None
    deviations: Deviations | None = None
    measures: Measures | None = None
    points_m: Floats | None = None
    notices: tuple[str, ...] = ()


# --- extrapolate -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FarFieldErrors(_Record):
    """Errors that a far field may have, vectors as in :class:`Deviations`.

    ``pressure_pa`` adds to the pressures, ``power`` is a relative change of the sound power. nan without a fit.
    ``verdict`` is that of the frequencies.
    """

    AXES: ClassVar[Axes] = {
        "pressure_pa": ("frequency", "channel", "vector", "direction"),
        "power": ("frequency", "channel", "vector"),
        "verdict": ("frequency", "channel"),
    }
    pressure_pa: AnyComplexes
    power: Floats
    verdict: Integers
    draws: int
    causes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Bands(_Record):
    """Bands of 95 % about level and phase of a far field, in place of the vectors that they come from.

    Levels in dB re 20 uPa; phases are not wrapped. ``verdict`` is that of the frequencies.
    """

    AXES: ClassVar[Axes] = {
        **dict.fromkeys(
            ("level_low_db", "level_high_db", "phase_low_deg", "phase_high_deg"),
            ("frequency", "channel", "direction"),
        ),
        "verdict": ("frequency", "channel"),
    }
    level_low_db: AnyFloats
    level_high_db: AnyFloats
    phase_low_deg: AnyFloats
    phase_high_deg: AnyFloats
    verdict: Integers


@dataclass(frozen=True, slots=True)
class FarField(_Record):
    """Pressure in directions of the output axes, propagation over the distance removed.

    ``distance_m`` is inf for far-field pressure, scaled to ``reference_distance_m``; otherwise it is the
    true distance at which the pressure holds. ``sound_power_w`` is the radiated power (nan = unknown).
    ``phase_known`` is False for imported magnitudes, whose phase columns stay nan; ``sha256`` is that of the
    file an imported far field came from, ``facts`` what else the file states for its tables. ``errors`` says what it
    may be off by, ``bands`` how far levels and phases may then be off, ``verdict`` how far to believe each frequency
    (``None`` = not known).
    """

    AXES: ClassVar[Axes] = {
        "frequency_hz": ("frequency",),
        "directions": ("direction", "xyz"),
        "pressure_pa": ("frequency", "channel", "direction"),
        "sound_power_w": ("frequency", "channel"),
        "verdict": ("frequency", "channel"),
    }
    WITHIN: ClassVar[tuple[str, ...]] = ("errors", "bands")
    frequency_hz: Floats
    directions: Floats
    pressure_pa: Complexes
    sound_power_w: Floats
    distance_m: float
    channel_names: tuple[str, ...]
    reference_distance_m: float = 1.0
    phase_known: bool = True
    air_density_kg_per_m3: float = float("nan")
    sound_speed_m_per_s: float = float("nan")
    sha256: str = ""
    errors: FarFieldErrors | None = None
    bands: Bands | None = None
    verdict: Integers | None = None
    notices: tuple[str, ...] = ()
    facts: Mapping[str, str | float | int] = field(default_factory=dict)


# --- tables ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Scalar:
    """A single result, with the ends of its 95 % interval (nan = not known), and what it is."""

    value: float
    unit: str
    low: float = math.nan
    high: float = math.nan
    note: str = ""


@dataclass(frozen=True, slots=True)
class Table(_Record):
    """A CSV-to-be: a header of ``name_unit`` and numbers; ``facts`` go to its sidecar."""

    AXES: ClassVar[Axes] = {"values": ("row", "column")}
    name: str
    header: tuple[str, ...]
    values: Floats
    facts: Mapping[str, str | float | int]

    @classmethod
    def of_columns(
        cls, name: str, columns: Mapping[str, NDArray[Any]], facts: Mapping[str, str | float | int]
    ) -> Table:
        """A table from its columns, by header name and in their order."""
        values = np.column_stack([np.asarray(column, dtype=np.float64) for column in columns.values()])
        return cls(name, tuple(columns), values, facts)

    def column(self, name: str) -> Floats:
        """One column by its header name; ``KeyError`` names what there is."""
        if name not in self.header:
            raise KeyError(f"table {self.name} has no column {name}; it has {', '.join(self.header)}")
        column: Floats = self.values[:, self.header.index(name)]
        return column
