"""Settings of what is made of a far field: tables, numbers, exports, figures, and the judgement of a validation."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, StrictBool, field_validator

from fieldproc.settings.closed import Band, ClosedModel, rising


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
        return rising(value)


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
