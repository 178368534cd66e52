"""Slow changes during a scan, told by the scan itself: of the gain, of the sound speed (temperature), of the room.

Gain and sound speed are functions of time, straight between a few knots, estimated like errors of the surfaces
(``nuisance.py``), which are estimated beside them: a surface that is merely too loud is no drift (calibrate first,
all the same). A drift is told where its knots together stand out and it is large enough to matter.

Warmer air changes the sound on its way to the points a little, and on its long way by the walls a lot. The latter
has no few parameters: regular waves of low degree that grow with time take it up, so that it does not spoil the
estimate; and where they explain more than chance, the scan is doubtful, even if the order of the points leaves open
what changed. A gain is put right. A sound speed is not: in a room, a speed per point gains nothing (one kelvin,
500 Hz: -47 dB before and after, where a steady scan comes to -60 dB), and costs rings their common speed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.stats import chi2
from threadpoolctl import threadpool_limits

from fieldproc.conventions import Complexes, Floats, Integers
from fieldproc.expand.causes import DB, KNOTS, PERCENT, change_with_speed, changes, course_name, hats, scan_times
from fieldproc.expand.dense import Seen
from fieldproc.expand.judging import judging_panel
from fieldproc.expand.nuisance import Estimate, Nuisance
from fieldproc.expand.panel import Panel, seen_from
from fieldproc.expand.surfaces import surfaces_of
from fieldproc.records import Spectra
from fieldproc.settings import Settings
from fieldproc.waves.basis import wave_columns

# Probability of taking the noise of a steady scan for a drift; the normal law is not to be trusted further out.
_FALSE_ALARM = 1e-5
# Of the equations of all parameters: beyond, two of them are one.
_MOST_CONDITION = 1e10
_NOT_TOLD = "drift was not looked for: at these times it would be the same as errors of the surfaces"
# Highest degree of the room's own change.
_ROOM_DEGREE = 8
# How many times more than by chance it may explain: steady scans came to 0.8 to 1.2.
_ROOM_CHANGED = 2.0
# Name, unit, value of a unit as a relative change, and the least that is told: a gain that costs -32 dB at 60 Hz
# layer by layer, and a tenth of a kelvin, 0.1 mm at 0.5 m.
_GAIN = ("gain", "dB", DB, 0.02)
_SPEED = ("sound speed", "%", PERCENT, 0.0175)


@dataclass(frozen=True, slots=True)
class Course:
    """One quantity over the scan: ``change`` at the knots ``at_s`` re the first of them, in ``unit``.

    ``sigma`` are standard errors (knot,); ``clear`` says whether it stands out and matters.
    """

    name: str
    unit: str
    at_s: Floats
    change: Floats
    sigma: Floats
    clear: bool

    @property
    def range(self) -> float:
        """Largest less smallest value."""
        return float(np.ptp(self.change))

    def at(self, time_s: Floats) -> Floats:
        """Values at other times."""
        return np.asarray(np.interp(time_s, self.at_s, self.change))

    def __str__(self) -> str:
        sigma = f"standard error {self.sigma.max():.2g}"
        return f"{self.name} drifted by {self.range:.3g} {self.unit} during the scan ({sigma})"


@dataclass(frozen=True, slots=True)
class Drift:
    """The ``courses`` of gain and sound speed, clear or not, and ``spectra`` with a clear gain put right.

    ``room`` says how many times more than by chance the room grew with time. ``doubtful``: something changed, so that
    the verdict should be "caution" at best. Nothing is put right where the times are unknown; ``put_right`` are the
    values of what is, by the names of ``causes.py``.
    """

    spectra: Spectra
    courses: tuple[Course, ...] = ()
    room: float = 1.0
    doubtful: bool = False
    notices: tuple[str, ...] = ()
    put_right: dict[str, float] = field(default_factory=dict)


def drift(spectra: Spectra, settings: Settings, bad: Integers | None = None, panel: Panel | None = None) -> Drift:
    """Estimate drifts from the times of the points, or, if there are none, from their order in the file.

    ``bad`` are points (indices) to leave out; ``panel`` is that of these spectra, if it is at hand.
    """
    with threadpool_limits(limits=1, user_api="blas"):
        panel = panel or judging_panel(spectra, settings, bad)
        time_s = scan_times(spectra)
        if panel is None or not np.ptp(time_s) > 0 or min(min(pair) for pair in panel.orders) < 0:
            return Drift(spectra)
        found = _courses(panel, time_s)
    if found is None:
        return Drift(spectra, notices=(_NOT_TOLD,))
    courses, room = found
    told = [str(course) for course in courses if course.clear]
    if room > _ROOM_CHANGED:
        told.append(
            f"the sound of the room changed during the scan (regular waves that grow with time explain {room:.1f} "
            "times what chance would): the air changed, or something in the room moved"
        )
    if spectra.measured_at_s is None:
        told = [f"{one}; the order of the file was taken for that of time" for one in told]
    gain = courses[0]
    mend = gain.clear and spectra.measured_at_s is not None
    factor = np.exp(-gain.at(time_s) * _GAIN[2]) if mend else np.ones(len(time_s))
    mended = spectra.scaled(factor[None]) if mend else spectra
    put_right = {course_name("gain (dB)", knot): float(gain.change[knot]) for knot in range(1, KNOTS)} if mend else {}
    return Drift(mended, courses, room, bool(told), tuple(told), put_right)


def _courses(panel: Panel, time_s: Floats) -> tuple[tuple[Course, Course], float] | None:
    """Gain and sound speed over time, and how much more than chance a room that grows with time explains.

    None where a drift would be the same as an error of a surface, or the times leave a knot without points.
    """
    at_s = np.linspace(time_s.min(), time_s.max(), KNOTS)
    # the first knot is the reference; a constant gain cannot be seen, a constant error of the speed can
    course = hats(time_s, at_s)
    if not course.any(axis=1).all():
        return None
    seen = seen_from(panel, panel.spectra.positions_m - panel.origin_m)
    change = _changes(panel, course, seen)
    free = _room_changes(panel, seen, (time_s - time_s.mean()) / np.ptp(time_s))
    equations = Nuisance(panel, panel.spectra.pressure_pa, change, free)
    if not equations.condition() < _MOST_CONDITION:
        return None
    estimate = equations.solve(range(len(change)))
    # the courses come last
    gain, speed = np.arange(len(change))[-2 * len(course) :].reshape(2, -1)
    courses = _course(_GAIN, at_s, estimate, gain), _course(_SPEED, at_s, estimate, speed)
    return courses, float(equations.chance.mean())


def _changes(panel: Panel, course: Floats, seen: Seen) -> Complexes:
    """What gain, sound speed and all that is estimated beside them add, as of :func:`changes`."""
    pressure_pa, surfaces = panel.spectra.pressure_pa, surfaces_of(panel)
    field_pa, slope = surfaces.fitted(panel, pressure_pa)
    # outgoing waves alone: what comes from the walls changes by its whole way, not by its way within the scan
    fits = [replace(fit, regular=np.zeros_like(fit.regular)) for fit in panel.fits(panel.filled(pressure_pa))]
    by_speed = change_with_speed(panel, fits, seen)
    return changes(field_pa, slope, by_speed, panel.spectra.frequency_hz, surfaces.belongs, course)


def _room_changes(panel: Panel, seen: Seen, time: Floats) -> Complexes:
    """Regular waves that grow with time, (frequency, wave, point): the room as its air changes."""
    degree = min(_ROOM_DEGREE, *(regular for _, regular in panel.orders))
    columns = []
    for at in range(len(panel.orders)):
        k = panel.solver.wavenumber(at).mean()
        columns.append(wave_columns("regular", degree, seen.harmonics, k * seen.argument)[0].T * time)
    return np.array(columns)


def _stands_out(estimate: Estimate, own: Sequence[int]) -> bool:
    return estimate.chi_square(own) > float(chi2.isf(_FALSE_ALARM, len(own)))


def _course(kind: tuple[str, str, float, float], at_s: Floats, estimate: Estimate, own: Integers) -> Course:
    name, unit, _, least = kind
    change, sigma = (np.concatenate([[0.0], values[own]]) for values in (estimate.value, estimate.sigma))
    clear = _stands_out(estimate, own.tolist()) and float(np.ptp(change)) >= least
    return Course(name, unit, at_s, change, sigma, clear)
