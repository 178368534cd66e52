"""What a fit costs in memory, and how many may run side by side."""

from __future__ import annotations

from fieldproc.errors import NumericalError
from fieldproc.side_by_side import GIB, MEMORY_BYTES


def dense_bytes(points: int, unknowns: int, regularised: bool) -> int:
    """Peak of one dense fit, from above: so many arrays of the size of the matrix and of its square factor."""
    # measured, 2,400 to 4,000 points: 0.5 to 1.0 of this
    of_matrix, of_factor = (4, 8) if regularised else (3, 3)
    return 16 * (of_matrix * points * unknowns + of_factor * unknowns**2)


def iterated_bytes(points: int, unknowns: int) -> int:
    """Peak of one iterative fit: a single-precision copy of the matrix, two of its square factor, if complex."""
    return 8 * (points * unknowns + 2 * unknowns**2)


def fits_in_memory(points: int, unknowns: int, regularised: bool) -> bool:
    """May a dense fit be tried at all?"""
    return dense_bytes(points, unknowns, regularised) <= MEMORY_BYTES


def require_dense(points: int, unknowns: int) -> None:
    """Raise ``NumericalError`` for a plain dense fit beyond all bounds."""
    if not fits_in_memory(points, unknowns, regularised=False):
        raise NumericalError(
            "expand",
            f"memory for a dense fit of {unknowns} unknowns on {points} points",
            f"{dense_bytes(points, unknowns, regularised=False) / GIB:.1f} GiB",
            f"at most {MEMORY_BYTES / GIB:.1f} GiB",
            "lower the orders, or spread the points evenly enough for the iterative solver",
        )


def in_words(how: str, unknowns: int, points: int, bytes_each: int) -> str:
    """How fits of up to so many unknowns were done, and what each may have taken."""
    return (
        f"solved {how}: up to {unknowns} unknowns on {points} points, "
        f"at most {bytes_each / GIB:.2g} GiB for each core at work"
    )
