"""All settings: one closed model per stage. An unknown key is an error that names the near misses."""

from __future__ import annotations

import difflib
import math
import reprlib
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, StrictBool, ValidationError, field_validator, model_validator

from fieldproc.errors import UsageError

Vector = tuple[float, float, float]
Order = Annotated[int, Field(ge=0, le=100, strict=True)]
# An order that changes with frequency: pairs (from this frequency in Hz, order), rising.
OrderTable = tuple[tuple[Annotated[float, Field(ge=0)], Order], ...]
OrderSetting = Literal["auto"] | Order | OrderTable

Model = TypeVar("Model", bound=BaseModel)

# Settings files are small; a larger one is a mistake or an attack.
MAX_SETTINGS_BYTES = 16_000


class ClosedModel(BaseModel):
    """A model that takes no unknown key, no change, and no number that is not finite."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class SpectraSettings(ClosedModel):
    """From impulse responses to pressures on a log frequency grid: lowest * 2^(i/per_octave)."""

    lowest_hz: Annotated[float, Field(gt=0)] = 20.0
    per_octave: Annotated[int, Field(ge=1, le=96)] = 24
    # 240 steps of 1/24 octave: 20 Hz to 19.9 kHz.
    count: Annotated[int, Field(ge=1, le=4000)] = 240
    # Take out delay and gain that the drive signal recorded with each point shows? false where the responses were
    # computed against that very recording.
    reference: Literal["auto", False] = "auto"

    @model_validator(mode="after")
    def _below_1_mhz(self) -> SpectraSettings:
        if (self.count - 1) / self.per_octave + math.log2(self.lowest_hz) > math.log2(1e6):
            raise ValueError("the highest frequency, lowest_hz * 2^((count - 1) / per_octave), is above 1 MHz")
        return self


class AxisSettings(ClosedModel):
    """Reference axis; "session" takes what the file states."""

    origin_m: Literal["session"] | Vector = "session"
    direction: Literal["session"] | Vector = "session"
    up: Literal["session"] | Vector = "session"


class SeparationSettings(ClosedModel):
    """Fit what arrives from the room beside what the loudspeaker radiates?

    "auto" separates wherever the positions can carry it, true insists (and refuses where they can't),
    false never does.
    """

    enabled: Literal["auto"] | StrictBool = "auto"


class GateSettings(ClosedModel):
    """Spectra of responses cut off before the first reflection, for the upper band.

    "auto" gates wherever the session or the responses tell when the first reflection comes; false never does.
    """

    enabled: Literal["auto", False] = "auto"
    # Where gated spectra take over from separated ones. "auto": where the two agree best.
    crossover_hz: Literal["auto"] | Annotated[float, Field(gt=0)] = "auto"


class ScatteringSettings(ClosedModel):
    """What the cabinet scatters of the room's sound stands in the outgoing set; take it out?

    "auto" takes the body that brings separated and gated spectra nearest to each other, if any brings them nearer;
    "box" and "sphere" insist on the rigid box of the cabinet's size, or on a rigid sphere.
    """

    body: Literal["auto", "none", "box", "sphere"] = "auto"
    # By default the sphere has the volume of the cabinet.
    sphere_radius_m: Literal["auto"] | Annotated[float, Field(gt=0)] = "auto"


class MendingSettings(ClosedModel):
    """What the scan itself tells of errors of the apparatus, put right where it is clear; false leaves it alone.

    ``bad_points``: points that contradict all others are left out. ``surfaces``: gain, offset and delay of a surface
    against the innermost. ``drift``: gain and sound speed over the time of the scan.
    """

    bad_points: Literal["auto", False] = "auto"
    surfaces: Literal["auto", False] = "auto"
    drift: Literal["auto", False] = "auto"


class UncertaintySettings(ClosedModel):
    """Errors that results may have. The standard uncertainties here are for what the session states nothing of.

    Each counts before the scan itself is asked, which usually knows better.
    """

    enabled: bool = True
    # Vectors drawn from the covariance of the coefficients; a standard uncertainty is known to 1 / sqrt(2 draws).
    draws: Annotated[int, Field(ge=8, le=512)] = 32
    # Of one surface against another.
    surface_gain_db: Annotated[float, Field(ge=0)] = 0.05
    surface_radius_m: Annotated[float, Field(ge=0)] = 3e-4
    latency_s: Annotated[float, Field(ge=0)] = 1e-6
    sound_speed_m_per_s: Annotated[float, Field(ge=0)] = 0.5
    # Over the whole scan.
    gain_drift_db: Annotated[float, Field(ge=0)] = 0.03
    sound_speed_drift_m_per_s: Annotated[float, Field(ge=0)] = 0.15


class OrderSettings(ClosedModel):
    """Top degrees of the two sets. "auto" follows the truncation rule in ``expand/order.py``."""

    outgoing: OrderSetting = "auto"
    regular: OrderSetting = "auto"
    # Truncation error that the rule aims at, relative to the sound of one set at the surfaces, in dB.
    # "auto": what predicts left-out points best, a smooth path over frequency between -80 and -20.
    truncation_db: Literal["auto"] | Annotated[float, Field(ge=-120, le=-20)] = "auto"
    # Unknowns per point that "auto" may use. 0.75 worked and 0.99 failed in our experiments.
    unknowns_per_point: Annotated[float, Field(gt=0, le=1)] = 0.75

    @field_validator("outgoing", "regular")
    @classmethod
    def _rising(cls, value: OrderSetting) -> OrderSetting:
        if isinstance(value, tuple):
            frequencies = [frequency for frequency, _ in value]
            if not frequencies or frequencies != sorted(set(frequencies)):
                raise ValueError("an order table needs at least one pair, frequencies rising")
        return value


class ExpansionSettings(ClosedModel):
    """Where the waves are centred, how large the source is, and how hard the fit is held back."""

    # By default the centre of the cabinet, else the known source, else the axis origin; with "acoustic center",
    # moved from there at every frequency to the origin about which the far field needs the lowest degrees.
    origin_m: Literal["auto", "acoustic center"] | Vector = "auto"
    # "auto": what encloses the cabinet, else the known source with a margin, else part of the scan radius.
    source_radius_m: Literal["auto"] | Annotated[float, Field(gt=0)] = "auto"
    # Outgoing waves from several centres inside a tall or wide loudspeaker? By default where points lie inside its
    # smallest sphere and left-out points are predicted better that way.
    several_centers: Literal["auto"] | StrictBool = "auto"
    # Distance from the origin to the nearest image of the loudspeaker in the room.
    room_distance_m: Literal["auto"] | Annotated[float, Field(gt=0)] = "auto"
    # "auto": only where the fit is ill-conditioned.
    regularisation: Literal["auto", "always", "never"] = "auto"
    # With "repeats", a point that is the mean of n records counts n times, as if noise were its only error; with
    # "noise", by its noise power as the session shows it, band by band; with "auto", so that they count alike where
    # noise is not the limit, or where left-out points are not predicted better.
    point_weights: Literal["equal", "repeats", "noise", "auto"] = "equal"
    # By what its weight is chosen. Cross-validation leaves a part that was never scanned to itself.
    regularisation_weight: Literal["likelihood", "cross-validation"] = "likelihood"


class ExtrapolationSettings(ClosedModel):
    """What the tables state: far-field pressure scaled to 1 m, or the true pressure at a distance."""

    quantity: Literal["far field", "true pressure"] = "far field"
    reference_distance_m: Annotated[float, Field(gt=0)] = 1.0
    # A common latency to take out of every phase; 0 leaves the phase as recorded.
    latency_s: float = 0.0
    # Take off what the air absorbs on the way? Only of a true pressure: a far field scaled to 1 m has no way to go.
    air_absorption: StrictBool = False

    @model_validator(mode="after")
    def _absorbed_on_the_way(self) -> ExtrapolationSettings:
        if self.air_absorption and self.quantity != "true pressure":
            raise ValueError('air_absorption = true needs quantity = "true pressure"')
        return self


class TableSettings(ClosedModel):
    """Choices that ANSI/CTA-2034-A leaves open, and what is written beside the standard tables."""

    # Rear-wall bounce: "three" = 180 and +-90 degrees; "all" = every rear angle from 90 to 180.
    rear_wall: Literal["three", "all"] = "three"
    # Early reflections: "groups" = mean of the five group averages; "pooled" = mean of all their curves.
    early_reflections: Literal["groups", "pooled"] = "groups"
    # Polars at this step, in tables of their own where it is not 10 degrees.
    polar_step_deg: Literal[10, 5, 2, 1] = 10
    # Curves smoothed over this fraction of an octave (3 = 1/3), in a table of their own; "none" = not written.
    smoothing_per_octave: Literal["none"] | Annotated[int, Field(ge=1, le=48)] = 6
    # Bands of IEC 61260-1, this many to the octave; "none" = not written.
    bands_per_octave: Literal["none"] | Annotated[int, Field(ge=1, le=24)] = 3


Band = tuple[Annotated[float, Field(gt=0)], Annotated[float, Field(gt=0)]]


class ScalarSettings(ClosedModel):
    """What the single numbers of the summary are taken over: bands from a lower to an upper frequency in Hz."""

    sensitivity_band_hz: Band = (300.0, 3000.0)
    # Low-frequency limits are re the mean level of a curve in a band.
    limit_curve: Literal["on axis", "listening window", "sound power"] = "on axis"
    limit_band_hz: Band = (300.0, 3000.0)
    flatness_band_hz: Band = (100.0, 10000.0)
    slope_band_hz: Band = (100.0, 10000.0)

    @field_validator("sensitivity_band_hz", "limit_band_hz", "flatness_band_hz", "slope_band_hz")
    @classmethod
    def _rising(cls, value: Band) -> Band:
        if value[0] >= value[1]:
            raise ValueError("a band goes from a lower to a higher frequency")
        return value


class ExportSettings(ClosedModel):
    """What stands in ``exports/``, and the directions of the balloon there.

    "aes56" is every 5 degrees of AES56-2008 about the axis, 2522 directions; "half" and "quarter" are its subsets for
    a loudspeaker that is symmetric. "gauss" and "equiangular" carry the degree of the balloon, by default the highest
    of the far field. Or pairs (azimuth, elevation) in degrees.
    """

    # "harmonics" is a second AES69 file, of coefficients: tens of megabytes.
    formats: tuple[Literal["aes69", "netcdf", "text", "json", "impulse", "harmonics"], ...] = (
        "aes69",
        "netcdf",
        "text",
        "json",
        "impulse",
    )
    balloon: (
        Literal["aes56", "aes56 half", "aes56 quarter", "gauss", "equiangular"]
        | Annotated[tuple[tuple[float, Annotated[float, Field(ge=-90, le=90)]], ...], Field(min_length=1)]
    ) = "aes56"
    balloon_degree: Literal["auto"] | Annotated[int, Field(ge=1, le=100)] = "auto"


class ReportSettings(ClosedModel):
    """Figures."""

    figures: StrictBool = True


class ValidationSettings(ClosedModel):
    """Tolerances of ``fieldproc validate``, over a band."""

    lowest_hz: Annotated[float, Field(gt=0)] = 50.0
    highest_hz: Annotated[float, Field(gt=0)] = 1000.0
    # Highest less lowest level over the 70 standard directions, and largest deviation of phase there.
    ripple_db: Annotated[float, Field(gt=0)] = 0.1
    phase_deg: Annotated[float, Field(gt=0)] = 1.0
    # Power that is not of degree 0 about the found place, re all: 1 % of the amplitude.
    off_monopole_db: Annotated[float, Field(lt=0)] = -40.0
    place_m: Annotated[float, Field(gt=0)] = 0.002
    # Against the stated volume velocity.
    level_db: Annotated[float, Field(gt=0)] = 0.1
    # Of the true pressure at distances from the found place against 1/r.
    distance_db: Annotated[float, Field(gt=0)] = 0.1
    distances_m: Annotated[tuple[Annotated[float, Field(gt=0)], ...], Field(min_length=1, max_length=16)] = (1, 2, 4)
    # Least share of errors within their stated 95 % bands; less than 0.95 because one cause moves many of them.
    covered_share: Annotated[float, Field(ge=0, le=1)] = 0.8
    # What may have been wrong with gain, place and delay of a surface, even though it was found and put right: twice
    # the standard uncertainties that are assumed.
    put_right_db: Annotated[float, Field(gt=0)] = 0.1
    put_right_m: Annotated[float, Field(gt=0)] = 6e-4
    put_right_s: Annotated[float, Field(gt=0)] = 2e-6


class Settings(ClosedModel):
    """Everything a run depends on besides its input."""

    spectra: SpectraSettings = SpectraSettings()
    axis: AxisSettings = AxisSettings()
    mending: MendingSettings = MendingSettings()
    uncertainty: UncertaintySettings = UncertaintySettings()
    separation: SeparationSettings = SeparationSettings()
    gate: GateSettings = GateSettings()
    scattering: ScatteringSettings = ScatteringSettings()
    orders: OrderSettings = OrderSettings()
    expansion: ExpansionSettings = ExpansionSettings()
    extrapolation: ExtrapolationSettings = ExtrapolationSettings()
    tables: TableSettings = TableSettings()
    scalars: ScalarSettings = ScalarSettings()
    exports: ExportSettings = ExportSettings()
    report: ReportSettings = ReportSettings()
    validation: ValidationSettings = ValidationSettings()


def load_settings(path: Path | None) -> Settings:
    """Settings from a TOML file, defaults without one. ``UsageError`` names every bad key at once."""
    return Settings() if path is None else load_model(path, Settings)


def load_model(path: Path, model: type[Model]) -> Model:
    """A closed model from a TOML file. ``UsageError`` names every bad key at once."""
    try:
        if path.stat().st_size > MAX_SETTINGS_BYTES:
            raise UsageError(f"{path}: larger than {MAX_SETTINGS_BYTES} bytes; this is no settings file")
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror}); give an existing TOML file") from error
    except (ValueError, RecursionError) as error:
        raise UsageError(f"{path}: not valid TOML ({error})") from error
    try:
        return model.model_validate(document)
    except ValidationError as error:
        raise UsageError("\n".join(f"{path}: {line}" for line in _explain(error, model))) from error


def dump_settings(settings: Settings) -> str:
    """TOML text of every setting as it was used; ``load_settings`` reads it back equal."""
    lines = []
    for section, model in settings.model_dump(mode="json").items():
        lines.append(f"[{section}]")
        lines += [f"{key} = {_toml_value(value)}" for key, value in model.items()]
        lines.append("")
    return "\n".join(lines)


def _toml_value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml_value(item) for item in value) + "]"
    return repr(value)


def _explain(error: ValidationError, model: type[BaseModel]) -> list[str]:
    """One line per bad key: where, what was found, and the nearest known key if it looks like a typo."""
    unknown: list[str] = []
    wrong: dict[str, list[Any]] = {}
    for detail in error.errors():
        keys = [reprlib.repr(str(part))[1:-1] for part in detail["loc"]]
        if detail["type"] == "extra_forbidden":
            known = _known_keys(model, keys[:-1])
            near = difflib.get_close_matches(keys[-1], known, n=1)
            hint = f"did you mean {near[0]}?" if near else f"known keys: {', '.join(known)}"
            unknown.append(f"unknown setting {'.'.join(keys)}" + (f"; {hint}" if known else ""))
            continue
        # a key that takes one of several forms fails once per form; the forms' own names mean nothing here
        where = [key for depth, key in enumerate(keys) if key in _known_keys(model, keys[:depth])] or keys
        wrong.setdefault(".".join(where), []).append(detail)
    return unknown + [
        f"setting {where}: {'; or '.join(dict.fromkeys(detail['msg'] for detail in details))} "
        f"(found {reprlib.repr(details[0]['input'])})"
        for where, details in wrong.items()
    ]


def _known_keys(model: type[BaseModel], path: list[str]) -> list[str]:
    """Keys of the model at a path of keys; none where the path leads through anything but models."""
    for key in path:
        field = model.model_fields.get(key)
        annotation = None if field is None else field.annotation
        if not (isinstance(annotation, type) and issubclass(annotation, BaseModel)):
            return []
        model = annotation
    return list(model.model_fields)
