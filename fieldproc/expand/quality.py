"""What each quality number means, and the rule that turns them into a verdict.

residual_db         rms of data minus fit over the points, re rms of the data. Blind where it matters most:
                    systematic errors leave it unchanged.
leave_one_out_db    rms error of predicting each point from all others (closed form: residual over one
                    minus leverage), re rms of the data.
condition           2-norm condition of the column-scaled matrix before any regularisation. Where two sets must be
                    told apart, it also bounds the verdict (separation_condition).
noise_gain_db       rms far-field error at 1 m, over the sphere, per rms error of the pressure at a point.
                    Where the fit is regularised, what the points leave open counts too: the posterior
                    variance, not the (smaller) variance of the regularised estimate.
random_error_db     that gain times the noise that the residual shows (its square sum over points minus
                    effective unknowns), re the rms far field: the random part of the far field's error.
                    Says nothing of systematic errors.
room_to_direct_db   rms of the regular part re rms of the outgoing part at the points.
truncation_db       far field that the outgoing orders leave out of a monopole at the edge of the source. What
                    the orders of either set miss at the points, the left-out error shows.

level_uncertainty_db
                    standard uncertainty of a level, rms over the sphere, weighted by power: random part and all
                    causes that points have in common (``deviations.py``, ``causes.py``). It grades the verdict by
                    UNCERTAIN_DB, after separated and gated answers are joined.
late_db             sound that the end of the records cuts off, re the whole (``condition/late.py``); gated responses
                    have none.

Two more measures are told and not judged here: scattering_db and overlap_difference_db (``removal.py``, ``seam.py``).

The verdict is the worst that any measure comes to (table LIMITS). "Do not use" also where the points
cannot carry the orders, or the record holds nothing. At best "caution" where no regular waves were
fitted: nothing then tells room sound from the loudspeaker's, and the residual does not show it; and where points lie
inside the smallest sphere of a long loudspeaker and nothing but waves from its one origin was tried; and where two
surfaces at an even distance are half a wavelength apart, or a multiple of that; and where something drifted.

Gaps narrower than a quarter of an octave between worse verdicts take the worse one: a measure that wavers about
its limit is no reason to trust single frequencies.

The limits are our own, from simulations with known truth; they are not from a standard.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

import numpy as np

from fieldproc.conventions import Booleans, Floats, Integers
from fieldproc.records import Verdict

# measure: (caution above, do not use above)
LIMITS = {
    "leave_one_out_db": (-25.0, -15.0),
    "random_error_db": (-30.0, -15.0),
    "truncation_db": (-25.0, -15.0),
    # what the end of the records cuts off may be wrong by 10 dB itself
    "late_db": (-30.0, np.inf),
    # ill-conditioned fits lean on a prior; how far that reaches the far field, the random error says
    "condition": (1000.0, np.inf),
    # where two sets must be told apart, the prior decides what belongs to which, and the random error believes it:
    # -20 dB stated, -7 dB true, on two spheres exactly half a wavelength apart
    "separation_condition": (1000.0, 1e4),
}


# Standard uncertainty of a level in dB, rms over the sphere, above which a frequency is "caution" and "do not use":
# half of the 1 and 3 dB within which a level should be known (95 %).
UNCERTAIN_DB = (0.5, 1.5)

# Half the width of a gap that is closed, octaves.
_HALF_GAP = 1.0 / 8.0


def close_gaps(verdict: Integers, frequency_hz: Floats) -> Integers:
    """Verdicts (frequency, channel) with narrow gaps between worse ones closed.

    A gap is closed where every row of it is near to one of its ends, worse rows themselves.
    """
    octave, closed = np.log2(frequency_hz), verdict.copy()
    for channel, own in enumerate(verdict.T):
        for level in (Verdict.CAUTION, Verdict.DO_NOT_USE):
            worse = np.flatnonzero(own >= level)
            for first, last in pairwise(worse):
                between = slice(first + 1, last)
                from_ends = np.minimum(octave[between] - octave[first], octave[last] - octave[between])
                # a hair wider, so that rows exactly that far apart do not hang on rounding
                if np.all(from_ends <= _HALF_GAP * (1 + 1e-9)):
                    closed[between, channel] = np.maximum(closed[between, channel], level)
    return closed


def judge(measures: Mapping[str, Floats], carried: Booleans, separated: Booleans) -> Integers:
    """Verdict per frequency and channel.

    ``measures`` holds the names of LIMITS, each (frequency, channel) or (frequency, 1); ``carried`` and
    ``separated`` have shape (frequency,). nan counts as "do not use".
    """
    verdict = np.where(separated, Verdict.GOOD, Verdict.CAUTION)[:, None].astype(np.int64)
    for name, (caution, stop) in LIMITS.items():
        measure = measures[name]
        grade = np.where(measure <= stop, np.where(measure <= caution, 0, 1), 2)
        verdict = np.maximum(verdict, grade)
    return np.where(carried[:, None], verdict, int(Verdict.DO_NOT_USE))
