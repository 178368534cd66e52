"""Gain, place and delay of one scanned surface against another, told by the scan itself.

A surface 0.1 dB too loud leaves the residual of a low frequency as it is and spoils the far field there (-18 dB at
60 Hz, two surfaces 5 cm apart): outgoing and regular waves explain any difference between two surfaces.
They cannot where only one of the two sets reaches, at degrees above those of a compact source, and where a third
surface or the shape of the surfaces leaves more numbers than unknowns. So the errors are estimated over a band
(``nuisance.py``), with no more outgoing degrees than left-out points ask for.

Everything is relative to the innermost surface: a gain or delay common to all of them cannot be seen, and does no
harm to the separation.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from threadpoolctl import threadpool_limits

from fieldproc.conventions import Floats, Integers
from fieldproc.expand.causes import surface_deviations
from fieldproc.expand.geometry import expansion_origin
from fieldproc.expand.judging import fewest_orders, judging_panel
from fieldproc.expand.nuisance import Estimate, Nuisance
from fieldproc.expand.panel import Panel, separable
from fieldproc.expand.surfaces import KINDS, Kind, Surfaces, surface_name, surfaces_of
from fieldproc.records import Spectra
from fieldproc.settings import Settings

# An error is put right where it exceeds so many standard errors: at three, one clean session in a hundred would be
# changed, by about as much as is gained on sessions whose error is that small.
_SIGMAS = 4.0
_PASSES = 2
_NOT_COMPARED = "surfaces were not compared: waves from one origin predict left-out points at too few frequencies"


@dataclass(frozen=True, slots=True)
class SurfaceError:
    """What one surface is off by, against the innermost: ``value`` and standard error ``sigma`` in ``kind.unit``.

    A positive gain is too loud, a positive offset truly further out than stated, a positive delay late. ``applied``
    says whether the spectra were put right by it.
    """

    surface: int
    kind: Kind
    value: float
    sigma: float
    applied: bool

    @property
    def name(self) -> str:
        """That of the parameter (``causes.py``)."""
        return surface_name(self.kind, self.surface)

    def __str__(self) -> str:
        done = "put right" if self.applied else "left as it is"
        return (
            f"{self.kind.name} of surface {self.surface} {self.value:+.3f} {self.kind.unit} "
            f"(standard error {self.sigma:.3f}), {done}"
        )


@dataclass(frozen=True, slots=True)
class Calibration:
    """Spectra put right, the errors that were found (none: nothing stood out), and what to tell."""

    spectra: Spectra
    errors: tuple[SurfaceError, ...] = ()
    notices: tuple[str, ...] = ()


def calibrate(spectra: Spectra, settings: Settings, bad: Integers | None = None) -> Calibration:
    """Estimate gain, offset and delay of every surface but the innermost, and put right what is clear.

    ``bad`` are points (indices) to leave out. Sessions that name fewer than two surfaces come back as they are.
    """
    with threadpool_limits(limits=1, user_api="blas"):
        return _calibrate(spectra, settings, bad)


def _calibrate(spectra: Spectra, settings: Settings, bad: Integers | None) -> Calibration:
    if np.any(spectra.surface < 0) or np.ptp(spectra.surface) == 0:
        return Calibration(spectra)
    if not separable(spectra, spectra.positions_m - expansion_origin(spectra, settings.expansion), settings):
        return Calibration(spectra)
    panel = judging_panel(spectra, settings, bad)
    if panel is None:
        return Calibration(spectra, notices=(_NOT_COMPARED,))
    scan = surfaces_of(panel)
    value, estimate = _estimate(panel, scan, settings)
    clear = np.isin(np.arange(len(value)), estimate.chosen)
    # two equal spheres hold so little of their gain that anything may stand out: what the scan knows less well than
    # the session, it does not know
    better = estimate.sigma <= np.tile(surface_deviations(spectra, settings.uncertainty), len(scan.outer))
    applied = clear & better & (np.abs(value) >= np.tile([kind.least for kind in KINDS], len(scan.outer)))
    errors = tuple(
        SurfaceError(int(surface), kind, float(value[at]), float(estimate.sigma[at]), bool(applied[at]))
        for at, (surface, kind) in enumerate(product(scan.outer, KINDS))
        if clear[at]
    )
    wrong = np.where(applied, value, 0.0)
    mended = replace(
        spectra.scaled(1.0 / scan.factor(wrong, spectra.frequency_hz)),
        positions_m=spectra.positions_m + scan.shift_m(wrong)[:, None] * scan.normal,
    )
    return Calibration(mended if applied.any() else spectra, errors, tuple(map(str, errors)))


def _estimate(panel: Panel, scan: Surfaces, settings: Settings) -> tuple[Floats, Estimate]:
    """Parameters, and their last step: Gauss-Newton about spectra that the steps before have put right."""
    data, frequency_hz = panel.spectra.pressure_pa, panel.spectra.frequency_hz
    pressure_pa, value = data, np.zeros(len(scan.outer) * len(KINDS))
    field_pa, slope = scan.fitted(panel, pressure_pa)
    panel = panel.with_orders(fewest_orders(panel, scan.change(frequency_hz, field_pa, slope), settings))
    chosen: tuple[int, ...] = ()
    for _ in range(_PASSES):
        field_pa, slope = scan.fitted(panel, pressure_pa)
        step = Nuisance(panel, pressure_pa, scan.change(frequency_hz, field_pa, slope)).select(_SIGMAS, chosen)
        value, chosen = value + step.value, step.chosen
        pressure_pa = data / scan.factor(value, frequency_hz)[:, None] - scan.shift_m(value) * slope
        if not chosen:
            break
    return value, step
