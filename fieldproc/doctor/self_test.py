"""A small scan of a monopole in a room, and the functions beneath, against closed forms and published digits.

What is wrong on a machine shows here as a number: a matrix library with a broken kernel, a scipy with other
conventions, a compiler that does not go with the numpy beside it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fieldproc.condition import condition
from fieldproc.conventions import amplitude_db, phase_deg, polar_directions
from fieldproc.errors import FieldprocError
from fieldproc.expand import expand
from fieldproc.extrapolate import far_field_pressure
from fieldproc.settings import OrderSettings, Settings
from fieldproc.simulate import Scene, simulate, truth
from fieldproc.simulate.scene import (
    MonopoleModel,
    MonopolesModel,
    ShoeboxModel,
    SphereModel,
    TransferFunctionModel,
)
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_index
from fieldproc.waves.radial import spherical_bessel, spherical_neumann
from fieldproc.waves.zonal import zonal_sum

# The orders follow this error of truncation re the sound at the surfaces: 0.0009 dB and 0.006 degrees. Nothing else
# is wrong with the scan, so that is the tolerance; a sound machine stays ten thousand times below, since the
# monopole, 6 cm off the origin, fills the last degrees with far less than the rule provides for.
TRUNCATION_DB = -80.0
_TRUNCATION = 10.0 ** (TRUNCATION_DB / 20.0)
# Ten digits are given, some of them with a leading 1.
_DIGITS = 1e-9
# Rounding of a sum of some thirty terms below 1; 3e-17 measured.
_ROUNDING = 1e-13

# A room about 4 m wide, the nearest wall at 1.4 m; one point off the origin, heard on two spheres of 400 points.
_SCENE = Scene(
    title="Self-test",
    source=MonopolesModel(monopoles=(MonopoleModel(position_m=(0.032, -0.021, 0.043)),)),
    room=ShoeboxModel(),
    scan=SphereModel(points=800, grid="spiral"),
    recording=TransferFunctionModel(frequency_hz=(100.0, 200.0, 400.0, 800.0)),
)

# Degree, argument and value as in Abramowitz & Stegun, Handbook of Mathematical Functions, tables 10.1 to 10.5
# (digits recomputed).
_BESSEL = ((0, 1.0, 0.8414709848), (5, 1.0, 9.256115861e-5), (20, 1.0, 7.537795722e-26), (20, 10.0, 2.308371961e-6))
_NEUMANN = ((1, 1.0, -1.3817732907), (10, 1.0, -6.722150083e8), (20, 1.0, -3.239592219e23), (10, 10.0, -0.1724536721))
# Degree, order, colatitude, azimuth, and the value of the closed form.
_HARMONICS = (
    (1, 1, np.pi / 2, 0.0, -0.3454941495),
    (3, 2, np.pi / 3, np.pi / 5, 0.1184290801 + 0.3644872301j),
    (5, -4, 1.0, 2.0, -0.0578493122 - 0.3933586307j),
)

_UNITS = {"db": " dB", "deg": " degrees", "": ""}


@dataclass(frozen=True, slots=True)
class Check:
    """One comparison: the worst ``error`` found and its ``tolerance``, in ``unit`` ("db", "deg", or "" = relative).

    ``refusal`` says why there are no such numbers, which are nan then.
    """

    name: str
    error: float
    tolerance: float
    unit: str
    against: str
    refusal: str = ""

    @property
    def passed(self) -> bool:
        # a nan is no pass
        return self.error <= self.tolerance

    @property
    def words(self) -> str:
        """For people."""
        outcome, unit = "passed" if self.passed else "FAILED", _UNITS[self.unit]
        if self.refusal:
            return f"{outcome}: {self.refusal}"
        return f"{outcome}: off by {self.error:.2g}{unit}, tolerance {self.tolerance:.2g}{unit} ({self.against})"


def self_test() -> tuple[Check, ...]:
    """All checks, in memory alone. What one of them raises is told as its failure: that is what we are here for."""
    parts: Sequence[tuple[str, Callable[[], tuple[Check, ...]]]] = (
        ("monopole", _monopole),
        ("spherical_functions", _spherical_functions),
        ("compiled_sum", _compiled_sum),
    )
    found: list[Check] = []
    for name, check in parts:
        try:
            found += check()
        except Exception as error:
            found.append(Check(name, math.nan, math.nan, "", "", _refusal(error)))
    return tuple(found)


def _monopole() -> tuple[Check, ...]:
    """Far field in the standard directions of a scan in a room, against the monopole's own."""
    settings = Settings(orders=OrderSettings(truncation_db=TRUNCATION_DB))
    spectra = condition(simulate(_SCENE, seed=1), settings.spectra, settings.gate)
    directions = polar_directions()
    found = far_field_pressure(expand(spectra, settings), spectra.axis, directions)[:, 0]
    ratio = found / truth(_SCENE).far_field(spectra.frequency_hz, directions)
    against = "closed form"
    level = float(np.abs(amplitude_db(np.abs(ratio))).max())
    phase = float(np.abs(phase_deg(ratio)).max())
    return (
        Check("monopole_level", level, float(amplitude_db(1.0 + _TRUNCATION)), "db", against),
        Check("monopole_phase", phase, math.degrees(_TRUNCATION), "deg", against),
    )


def _spherical_functions() -> tuple[Check, ...]:
    """Bessel and Neumann functions and harmonics, the worst relative error of all."""
    errors = [
        abs(function(degree, np.array([argument])).value()[0, degree] / value - 1.0)
        for function, table in ((spherical_bessel, _BESSEL), (spherical_neumann, _NEUMANN))
        for degree, argument, value in table
    ]
    for degree, order, colatitude, azimuth, value in _HARMONICS:
        across = np.sin(colatitude)
        direction = np.array([[across * np.cos(azimuth), across * np.sin(azimuth), np.cos(colatitude)]])
        found = spherical_harmonics(degree, direction)[0, coefficient_index(degree, order)]
        errors.append(abs(found / value - 1.0))
    return (Check("spherical_functions", float(np.max(errors)), _DIGITS, "", "published digits"),)


def _compiled_sum() -> tuple[Check, ...]:
    """sum (2n+1) j_n(u) j_n(v) P_n(cos a) = sin(w)/w, w the third side of the triangle; [DLMF] 10.60.2, from memory.

    The sum runs in machine code made here and now.
    """
    u, v, cosine, top = 4.0, 3.0, 0.3, 30
    degrees = 2.0 * np.arange(top + 1) + 1.0
    j_u, j_v = (spherical_bessel(top, np.array([x])).value().astype(np.complex128) for x in (u, v))
    towards = np.array([[0.0, 0.0, 1.0]]), np.array([[math.sqrt(1.0 - cosine**2), 0.0, cosine]])
    w = math.sqrt(u * u + v * v - 2.0 * u * v * cosine)
    found = zonal_sum(degrees * j_u, towards[0], j_v, towards[1])[0, 0]
    return (Check("compiled_sum", float(abs(found - math.sin(w) / w)), _ROUNDING, "", "closed form"),)


def _refusal(error: Exception) -> str:
    """What was raised, in one line and without paths, which may name whose machine it is."""
    text = re.sub(r"(?<!\w)(?:[A-Za-z]:)?[\\/][^\s'\",;:)]+", "...", " ".join(str(error).split()))
    kind = "" if isinstance(error, FieldprocError) else f"{type(error).__name__}: "
    return f"{kind}{text}"
