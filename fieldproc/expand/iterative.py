"""The solver for points without symmetry: conjugate gradients, preconditioned by a single-precision Cholesky factor.

The wave matrix is never formed in double precision: it acts degree by degree, radial functions times real
harmonics, and real harmonics are shared by all frequencies. The factor is that of the Gram matrix of the same
frequency, real wherever possible: h_n and j_n span what j_n and y_n span. A handful of iterations then bring
the solution to rounding, and the factor tells leverage and variance as well, to about its own precision, 1e-7
times the condition squared.

Stopping rule: the preconditioned residual of the normal equations, relative to its start, is at most TOLERANCE in
every channel. In exact arithmetic that is the rms error of the fitted field relative to the fitted field. A
fit that does not get there within MOST_ITERATIONS, or is too ill-conditioned for the factor, is ``Unsolved``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Complexes, Floats
from fieldproc.expand.cholesky import Factor, factorise, lower_inverse
from fieldproc.expand.dense import WaveFit, channel_norm, noise_of, true_coefficients
from fieldproc.expand.gram import IrregularGrid, complex_coefficients
from fieldproc.expand.spread import Both, unit_noise
from fieldproc.expand.wave_pairs import WavePairs
from fieldproc.waves.indexing import column_degrees

TOLERANCE = 1e-11
MOST_ITERATIONS = 20
# Above, a single-precision factor of the Gram matrix (condition squared) says little of leverage or variance.
MOST_CONDITION = 500.0


@dataclass(frozen=True, slots=True)
class Unsolved:
    """No fit, and why; the dense solver takes over."""

    reason: str


def fit_irregular(
    grid: IrregularGrid,
    wavenumber: float,
    orders: tuple[int, int],
    pressure: Complexes,
    towards: tuple[Floats, float] | None = None,
    *,
    spread: bool = False,
) -> WaveFit | Unsolved:
    """The fit of ``fit_waves`` on any points; ``pressure`` (channel, point).

    ``towards`` is a prior (column,), as in ``fit_waves`` but equal for m and -m, and a weight w > 0: the fit then
    minimises |misfit|^2 + w^2 |coefficient / prior|^2 over unit columns, one weight for all channels. Leverage and
    variance come from the factor, as accurate as it is (see the module); a condition in the thousands is known only
    to be that large.
    """
    waves = WavePairs(grid, wavenumber, orders, penalised=towards is not None)
    factor = factorise(waves.gram())
    condition = held = float("inf") if factor is None else waves.condition(factor)
    penalty, relative = np.zeros(waves.unknowns), 0.0
    if towards is not None:
        penalty, relative = waves.penalty(*towards)
        factor = factorise(waves.gram(penalty))
        held = float("inf") if factor is None else waves.condition(factor)
    if factor is None or held > MOST_CONDITION:
        return Unsolved(f"condition {held:.3g} is above {MOST_CONDITION:g}")
    data = np.ascontiguousarray(pressure.T)
    solution, missed, reached = _conjugate_gradients(waves, factor, penalty, data)
    if not reached <= TOLERANCE:
        return Unsolved(
            f"relative residual {reached:.1e} after {MOST_ITERATIONS} iterations, allowed {TOLERANCE:.0e}"
        )
    leverage = np.tile(_leverage(waves, factor), (len(pressure), 1))
    outgoing, regular, room = _true_coefficients(waves, solution)
    channels = len(pressure)
    return WaveFit(
        outgoing=outgoing,
        regular=regular,
        residual=missed.T,
        leverage=leverage,
        condition=condition,
        far_field_variance=np.full(channels, _far_field_variance(waves, factor)),
        noise=noise_of(missed.T, leverage),
        room_to_direct=channel_norm(room) / channel_norm(data - missed - room),
        weight=np.full(channels, relative),
        spread=_FactorSpread(waves, factor, solution, towards is None) if spread else None,
    )


@dataclass(frozen=True, slots=True)
class _FactorSpread:
    """The spread of a fit, as accurate as its factor."""

    waves: WavePairs
    factor: Factor
    solution: Complexes
    plain: bool

    def drawn(self, count: int, generator: np.random.Generator) -> Both:
        """See :class:`Spread`; all channels alike, since one weight serves all."""
        numbers = self.factor.adjoint_inverse(unit_noise((self.waves.unknowns, count), generator))
        outgoing, regular, _ = _true_coefficients(self.waves, numbers)
        channels = self.solution.shape[1]
        return np.stack([outgoing] * channels), np.stack([regular] * channels)

    def of(self, change: Complexes) -> Both:
        """See :class:`Spread`."""
        found = [
            _true_coefficients(self.waves, self.factor.inverse(self.waves.adjoint(np.ascontiguousarray(own.T))))
            for own in change
        ]
        return np.array([outgoing for outgoing, _, _ in found]), np.array([regular for _, regular, _ in found])

    def coarser(self) -> Both | None:
        """See :class:`Spread`: by the columns of the inverse Gram matrix."""
        if not self.plain:
            return None
        outgoing, regular = self.waves.orders
        # regular waves come first
        highest = np.concatenate([column_degrees(order) == max(order, 1) for order in (regular, outgoing)])
        ones = np.eye(self.waves.unknowns, dtype=np.complex128)[:, highest]
        inverse = self.factor.inverse(ones)
        change = -inverse @ np.linalg.solve(inverse[highest], self.solution[highest])
        found = [_true_coefficients(self.waves, own[:, None]) for own in change.T]
        return np.array([one for one, _, _ in found]), np.array([one for _, one, _ in found])


def _conjugate_gradients(
    waves: WavePairs, factor: Factor, penalty: Floats, data: Complexes
) -> tuple[Complexes, Complexes, float]:
    """Solution (unknown, channel) in unit columns, data minus fit (point, channel), and the residual reached."""
    missed = data.copy()
    gradient = waves.adjoint(missed)
    solution = np.zeros_like(gradient)
    direction = step = factor.inverse(gradient)
    start = size = np.sum((gradient.conj() * step).real, axis=0)
    for _ in range(MOST_ITERATIONS):
        change = waves.apply(direction)
        curvature = np.sum(np.abs(change) ** 2, axis=0) + penalty @ np.abs(direction) ** 2
        length = size / curvature
        solution = solution + length * direction
        missed -= length * change
        gradient = waves.adjoint(missed) - penalty[:, None] * solution
        step = factor.inverse(gradient)
        before, size = size, np.sum((gradient.conj() * step).real, axis=0)
        if np.all(size <= TOLERANCE**2 * start):
            break
        direction = step + size / before * direction
    return solution, missed, float(np.sqrt(np.max(size / start)))


def _true_coefficients(waves: WavePairs, solution: Complexes) -> tuple[Complexes, Complexes, Complexes]:
    """Outgoing and regular (channel, coefficient) of true columns, and the regular part of the field."""
    scaled = solution / waves.unit[:, None]
    regular, outgoing = scaled[: waves.split], 1j * scaled[waves.split :]
    both = len(waves.share)
    regular[:both] -= waves.share * outgoing[:both]
    room = waves.field(waves.radial[:1], [regular])
    outgoing = true_coefficients(outgoing, waves.neumann_exponent[column_degrees(waves.orders[0])][:, None])
    regular = true_coefficients(regular, waves.bessel_exponent[column_degrees(waves.orders[1])][:, None])
    return complex_coefficients(outgoing).T, complex_coefficients(regular).T, room


def _leverage(waves: WavePairs, factor: Factor) -> Floats:
    """Diagonal of the hat matrix, (point,): squared columns of L^-1 A^H."""
    solved = factor.solve(waves.columns())
    parts = solved.view(np.float32).reshape(*solved.shape, -1)
    return np.asarray(np.einsum("kpc,kpc->p", parts, parts), dtype=np.float64)


def _far_field_variance(waves: WavePairs, factor: Factor) -> float:
    """Variance of the true outgoing coefficients, summed; they come last, so their own block of L^-1 tells it."""
    spread = np.linalg.norm(lower_inverse(factor.lower[waves.split :, waves.split :]), axis=0) / waves.norms[1]
    deviation = np.ldexp(spread.astype(np.float64), -waves.neumann_exponent[column_degrees(waves.orders[0])])
    return float(np.sum(deviation**2))
