"""What may still be wrong with the apparatus after the scan has been asked, and what that would do to the pressures.

Gain, offset and delay of every surface against the innermost; the sound speed; slow changes of gain and sound speed
over the scan, straight between a few knots. Two things tell how large they may be: what the session states of its
own errors (or what is assumed where it states nothing), and what the waves leave unexplained over a band
(``nuisance.py``). The first is the prior, the second the likelihood; both are normal, so that the rest is linear.
What was put right before is not counted again: the second moment is about the pressures as they are now.

The likelihood of one point's errors at different frequencies is not independent, so its information is that of the
cluster-robust covariance there, I S^-1 I with the covariance S of the scores.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy import linalg
from threadpoolctl import threadpool_limits

from fieldproc.conventions import Complexes, Floats, Integers
from fieldproc.expand.dense import Seen, WaveFit
from fieldproc.expand.judging import fewest_orders
from fieldproc.expand.nuisance import Nuisance
from fieldproc.expand.panel import Panel, field_of, seen_from
from fieldproc.expand.surfaces import KINDS, surface_changes, surface_name, surfaces_of
from fieldproc.records import Causes, Spectra
from fieldproc.settings import Settings, UncertaintySettings

# Knots of slow changes, ends included.
KNOTS = 4
# Units of gain (dB) and sound speed (%) as relative changes.
DB, PERCENT = np.log(10.0) / 20.0, 0.01
# What is left unexplained depends on what explains it.
_ROUNDS = 4
# Relative step of the central difference over the sound speed.
_STEP = 1e-4


def hats(time_s: Floats, knots_s: Floats) -> Floats:
    """What a unit at every knot but the first does to points at times (point,), (knot, point); all zero: no times."""
    if not len(knots_s):
        return np.zeros((0, len(time_s)))
    return np.array([np.interp(time_s, knots_s, hat) for hat in np.eye(len(knots_s))[1:]])


def scan_times(spectra: Spectra) -> Floats:
    """When every point was measured; by the order of the file, where the session does not say."""
    return spectra.file_point.astype(np.float64) if spectra.measured_at_s is None else spectra.measured_at_s


def changes(
    field_pa: Complexes, slope: Complexes, by_speed: Complexes, frequency_hz: Floats, belongs: Floats, course: Floats
) -> Complexes:
    """What a unit of every parameter adds to pressures (frequency, channel, point), parameter first.

    ``slope`` is the field's along the normals, ``by_speed`` its change with the logarithm of the sound speed;
    ``belongs`` (outer surface, point) is 1 where a point is of the surface, ``course`` (knot, point) as of
    :func:`hats`. In the order of :func:`names`.
    """
    of_surfaces = surface_changes(field_pa, slope, frequency_hz, belongs)
    over_time = [part * unit * own for part, unit in ((field_pa, DB), (by_speed, PERCENT)) for own in course]
    return np.array([*of_surfaces, by_speed * PERCENT, *over_time])


def change_with_speed(panel: Panel, fits: list[WaveFit], seen: Seen) -> Complexes:
    """Change of the waves of a panel's fits with the logarithm of the sound speed, (frequency, channel, point)."""
    # a sound speed higher by so much is a radius smaller by so much
    slower, faster = (
        field_of(panel, fits, Seen(seen.harmonics, seen.argument * (1.0 + step))) for step in (_STEP, -_STEP)
    )
    return (faster - slower) / (2.0 * _STEP)


def names(outer: Integers, knots_s: Floats) -> tuple[str, ...]:
    """Of the parameters, with their units."""
    of_surfaces = [surface_name(kind, int(surface)) for surface in outer for kind in KINDS]
    later = range(1, len(knots_s))
    over_time = [course_name(what, knot) for what in ("gain (dB)", "sound speed (%)") for knot in later]
    return (*of_surfaces, "sound speed (%)", *over_time)


def course_name(what: str, knot: int) -> str:
    """Of a slow change at a knot after the first."""
    return f"{what} by knot {knot} of {KNOTS - 1}"


def surface_deviations(spectra: Spectra, assumed: UncertaintySettings) -> Floats:
    """Standard uncertainties of a surface, stated or assumed, of every kind and in its unit, (kind,)."""
    stated = [_known(spectra, assumed, name) for name in ("surface_gain_db", "surface_radius_m", "latency_s")]
    return np.array(stated) * [1.0, 1e3, 1e6]


def _known(spectra: Spectra, assumed: UncertaintySettings, name: str) -> float:
    stated = getattr(spectra.sigma, name)
    return float(getattr(assumed, name) if stated is None else stated)


def prior_deviation(spectra: Spectra, outer: Integers, knots_s: Floats, assumed: UncertaintySettings) -> Floats:
    """Root of the covariance of the parameters as stated or assumed, (parameter, unit number).

    Slow changes are random walks from knot to knot, which come to their standard uncertainty at the end of the scan.
    """
    to_percent = 100.0 / float(spectra.sound_speed_m_per_s.mean())
    of_surfaces = np.tile(surface_deviations(spectra, assumed), len(outer))
    in_common = np.diag([*of_surfaces, _known(spectra, assumed, "sound_speed_m_per_s") * to_percent])
    steps = max(len(knots_s) - 1, 0)
    walk = np.tri(steps) / np.sqrt(max(steps, 1))
    drifts = assumed.gain_drift_db * walk, assumed.sound_speed_drift_m_per_s * to_percent * walk
    return np.asarray(linalg.block_diag(in_common, *(drifts if steps else ())))


def remaining_causes(
    spectra: Spectra, panel: Panel | None, settings: Settings, put_right: Mapping[str, float] | None = None
) -> Causes:
    """What may be left, by the prior and by what a ``panel`` leaves unexplained (None: nothing tells).

    ``put_right`` are values by which parameters have been changed already, by their names: what remains is expected
    to be the opposite, unless the scan says otherwise.
    """
    outer = _outer(spectra, panel)
    time_s = scan_times(spectra)
    knots_s = np.linspace(time_s.min(), time_s.max(), KNOTS) if np.ptp(time_s) > 0 else np.zeros(0)
    told = put_right or {}
    mean = np.array([-told.get(name, 0.0) for name in names(outer, knots_s)])
    prior = prior_deviation(spectra, outer, knots_s, settings.uncertainty)
    # what was that far off was not known that well
    size = np.sqrt(np.sum(prior**2, axis=1))
    prior = np.where((np.abs(mean) > size)[:, None], np.diag(np.abs(mean)), prior)
    covariance: Floats = np.eye(len(prior))
    if panel is not None and prior.any() and min(min(pair) for pair in panel.orders) >= 0:
        with threadpool_limits(limits=1, user_api="blas"):
            equations = _equations(panel, outer, hats(scan_times(panel.spectra), knots_s), settings)
        # the scan was just put right: what is left unexplained is least about zero
        expected, mean = mean, np.zeros_like(mean)
        for _ in range(_ROUNDS):
            information, slope = equations.evidence(mean)
            # in unit numbers of the prior, about what it expects now that something was put right
            precision = np.eye(len(prior)) + prior.T @ information @ prior
            covariance = np.asarray(np.linalg.inv(precision), dtype=np.float64)
            mean = expected + prior @ (covariance @ (prior.T @ (slope - information @ expected)))
    root = np.linalg.cholesky(covariance)
    return Causes(names(outer, knots_s), np.column_stack([prior @ root, mean]), outer, knots_s)


def _outer(spectra: Spectra, panel: Panel | None) -> Integers:
    if panel is not None:
        return surfaces_of(panel).outer
    if np.any(spectra.surface < 0):
        return spectra.surface[:0]
    # whichever is the innermost: only their differences matter
    return np.unique(spectra.surface)[1:]


def _equations(panel: Panel, outer: Integers, course: Floats, settings: Settings) -> Nuisance:
    """What the panel says of the parameters, with no more outgoing degrees than it asks for."""
    scan = surfaces_of(panel)
    pressure_pa, frequency_hz = panel.spectra.pressure_pa, panel.spectra.frequency_hz

    def of_panel(own: Panel) -> Complexes:
        field_pa, slope = scan.fitted(own, pressure_pa)
        fits = own.fits(own.filled(pressure_pa))
        by_speed = change_with_speed(own, fits, seen_from(own, own.spectra.positions_m - own.origin_m))
        return changes(field_pa, slope, by_speed, frequency_hz, scan.belongs, course)

    if len(outer):
        field_pa, slope = scan.fitted(panel, pressure_pa)
        panel = panel.with_orders(fewest_orders(panel, scan.change(frequency_hz, field_pa, slope), settings))
    return Nuisance(panel, pressure_pa, of_panel(panel))
