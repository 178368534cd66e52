"""How many degrees each wave set needs, and how many the points can carry.

The rule asks for the field of a monopole at the worst place each set must represent: on the edge of
the source (outgoing), at the nearest image of the loudspeaker in the room (regular). Its series is
known in closed form, and so is the truncation error of any order:

    |exp(-ikR)/R|^2 averaged over the sphere r = k^2 sum (2n+1) |j_n(k r_<) h_n(k r_>)|^2

(the addition theorem for the monopole, [DLMF] 10.60.2, and orthogonality).

The outgoing set must meet the target twice: in the far field for a monopole anywhere within the source,
and at the points for one no nearer to them than NEAREST_SHARE allows. A scan close to a cabinet would
otherwise ask for dozens of degrees whose near field dies out before it matters, and starve the regular set.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Booleans, Floats, Integers
from fieldproc.settings import OrderSetting
from fieldproc.waves.indexing import column_degrees
from fieldproc.waves.radial import ldexp, spherical_bessel, spherical_hankel2

# Longest series: kr = 220 (0.6 m at 20 kHz) converges well before.
SERIES_DEGREE = 260
# Largest ratio of source radius to scan radius that the near-field rule follows: 0.65 asks for degree 14
# at -60 dB. What radiates from nearer the points is weak in a real cabinet and decays; experiments with caps
# on a sphere at 0.54 of the scan radius lost 0 to 2 dB to it, and 3 to 10 dB to following the corners.
NEAREST_SHARE = 0.65
# One over the part of the budget that goes to frequencies which the points cannot carry.
_BEYOND = 16
# The coarsest truncation "auto" accepts before it says that the points cannot carry the sets.
COARSEST_DB = -20.0


@dataclass(frozen=True, slots=True)
class Reach:
    """The lengths the rule needs, in metres, and from how many centres outgoing waves leave.

    Source and inner radius count from each of those centres, the other two from the expansion origin.
    """

    source_radius_m: float
    inner_radius_m: float
    outer_radius_m: float
    room_distance_m: float
    centers: int = 1

    @property
    def near_source_m(self) -> float:
        """Radius of the monopole that the near field of the outgoing set must follow."""
        return min(self.source_radius_m, NEAREST_SHARE * self.inner_radius_m)


@dataclass(frozen=True, slots=True)
class OrderPlan:
    """Top degrees per frequency (regular -1 = no such set) and what they leave out.

    ``carried`` is False where the points cannot carry the sets the rule asks for; ``truncation_db`` is the
    far field that the outgoing orders leave out of a monopole at the edge of the source. ``unknowns`` counts
    those of both sets; ``divided`` is True where outgoing waves leave from several cells.
    """

    outgoing: Integers
    regular: Integers
    carried: Booleans
    truncation_db: Floats
    unknowns: Integers
    divided: Booleans

    def orders(self, row: int) -> tuple[int, int]:
        """Outgoing and regular order of one frequency."""
        return int(self.outgoing[row]), int(self.regular[row])


def monopole_truncation(wavenumber: Floats, inner_m: float, outer_m: float) -> Floats:
    """Relative rms error of a monopole's series after each degree, shape (wavenumber, degree).

    The monopole lies at one of the two radii, the observation sphere at the other (the sum is symmetric).
    """
    regular = spherical_bessel(SERIES_DEGREE, wavenumber * inner_m)
    outgoing = spherical_hankel2(SERIES_DEGREE, wavenumber * outer_m)
    # the product is moderate although both factors are extreme, so the exponents are added first
    product = ldexp(regular.mantissa * outgoing.mantissa, regular.exponent + outgoing.exponent)
    return _tail(np.abs(product) ** 2)


def far_field_truncation(wavenumber: Floats, source_radius_m: float) -> Floats:
    """The same for the far field of a monopole at the edge of the source: sum (2n+1) j_n^2 = 1."""
    return _tail(spherical_bessel(SERIES_DEGREE, wavenumber * source_radius_m).value() ** 2)


def _tail(energy_per_harmonic: Floats) -> Floats:
    """Root of the share of energy beyond each degree, from the energy of one harmonic per degree."""
    energy = (2 * np.arange(SERIES_DEGREE + 1) + 1) * energy_per_harmonic
    # summed from the small end, so that a tail of 1e-20 is still exact
    from_here = np.cumsum(energy[:, ::-1], axis=1)[:, ::-1]
    beyond = np.concatenate([from_here[:, 1:], np.zeros((len(energy), 1))], axis=1)
    return np.asarray(np.sqrt(beyond / from_here[:, :1]))


def automatic_orders(
    wavenumber: Floats, reach: Reach, separate: bool, budget: int, target_db: Floats | float
) -> OrderPlan:
    """The smallest orders whose truncation at the surfaces meets ``target_db`` within ``budget`` unknowns.

    ``target_db`` is one number or one per frequency.

    Where they exceed the budget, the finest coarser target that fits is taken (1 dB steps down to
    COARSEST_DB). Where none fits, ``carried`` is False, the regular set is left out and the outgoing set
    takes a small part of the budget: nothing there is to be believed, and little time should be lost on it.
    """
    outgoing_error = np.maximum(
        monopole_truncation(wavenumber, reach.near_source_m, reach.inner_radius_m),
        far_field_truncation(wavenumber, reach.source_radius_m),
    )
    regular_error = monopole_truncation(wavenumber, reach.outer_radius_m, reach.room_distance_m)
    outgoing = np.full(len(wavenumber), max(int(np.sqrt(budget / _BEYOND / reach.centers)) - 1, 0))
    regular = np.full(len(wavenumber), -1)
    carried = np.zeros(len(wavenumber), dtype=np.bool_)
    start_db = np.minimum(np.broadcast_to(target_db, wavenumber.shape), COARSEST_DB)
    for step_db in range(int(np.ceil(COARSEST_DB - start_db.min())) + 1):
        limit = 10.0 ** (np.minimum(start_db + step_db, COARSEST_DB) / 20.0)[:, None]
        wanted = np.argmax(outgoing_error <= limit, axis=1)
        wanted_regular = np.argmax(regular_error <= limit, axis=1) if separate else regular
        now = (unknown_count(wanted, wanted_regular, reach.centers) <= budget) & ~carried
        outgoing[now], regular[now] = wanted[now], wanted_regular[now]
        carried |= now
    return OrderPlan(
        outgoing,
        regular,
        carried,
        truncation_db(wavenumber, reach, outgoing),
        unknown_count(outgoing, regular, reach.centers),
        divided=carried & (reach.centers > 1),
    )


def truncation_db(wavenumber: Floats, reach: Reach, outgoing: Integers) -> Floats:
    """Far field that given outgoing orders leave out of a monopole at the edge of the source, in dB."""
    error = far_field_truncation(wavenumber, reach.source_radius_m)[np.arange(len(wavenumber)), outgoing]
    # -300 dB is below rounding: nothing is left out
    return np.asarray(20.0 * np.log10(np.maximum(error, 1e-15)))


def order_at(setting: OrderSetting, frequency_hz: Floats) -> Integers:
    """Orders of a fixed number or of a table (each order holds from its frequency up to the next)."""
    if isinstance(setting, int):
        return np.full(len(frequency_hz), setting)
    assert not isinstance(setting, str)
    starts = np.array([start for start, _ in setting])
    orders = np.array([order for _, order in setting])
    return orders[np.maximum(np.searchsorted(starts, frequency_hz, side="right") - 1, 0)]


def highest_order(setting: OrderSetting) -> int:
    """The highest order a setting names; 0 for "auto"."""
    if isinstance(setting, int):
        return setting
    return 0 if isinstance(setting, str) else max(order for _, order in setting)


def degree_priors(orders: Sequence[int]) -> Floats:
    """Expected rms contribution of each column at the points, set after set: 1 / (n + 1).

    The mildest of the priors we tried (after a source radius, flat, 1/(n+1), 1/(n+1)^2): on a measured head
    whose lower cap was never scanned it lost nothing in directions left out of the fit, and the field in the
    cap stayed below that around it. A prior that falls off exponentially, as a compact source would,
    is overruled by real data, and nothing then holds the cap.
    """
    return np.concatenate([1.0 / (column_degrees(order) + 1.0) for order in orders if order >= 0])


def unknown_count(outgoing: Integers, regular: Integers, centers: int = 1) -> Integers:
    """Number of unknowns of both sets, (frequency,)."""
    return np.asarray(centers * (outgoing + 1) ** 2 + (regular + 1) ** 2)
