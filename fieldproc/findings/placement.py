"""What one to three boundaries near a loudspeaker do to its bass, to first order.

Every boundary mirrors the measured far field: the image stands as far behind the wall as the loudspeaker before it
and radiates its pattern mirrored; two walls make three images, three walls seven. Pressures add with the phases of
their true distances. That is all: walls are rigid, plane and infinite, they lie in the far field of the loudspeaker,
other walls and furniture are not there, and what a wall does to the loudspeaker itself, its radiation load, is left
out.

Sources: images and their power, Waterhouse, J. Acoust. Soc. Am. 30, 4 (1958); Allison, J. Audio Eng. Soc. 22, 314
(1974), both from memory. Axes are the output axes, about the acoustic place of the loudspeaker, which faces x.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np

from fieldproc.conventions import Complexes, Floats, amplitude_db, power_db, wavenumber
from fieldproc.errors import NumericalError, UsageError
from fieldproc.extrapolate import balloon_directions

# Far field at 1 m, propagation removed: directions (direction, 3) in, (frequency, direction) out; nan without one.
Towards = Callable[[Floats], Complexes]
# Above, rooms and furniture rule, and walls are no mirrors.
BAND_HZ = (20.0, 500.0)
FACTS: Mapping[str, str | float | int] = {
    "model": "image sources of the measured far field, mirrored, at their true distances",
    "assumptions": (
        "rigid, plane and infinite boundaries in the far field of the loudspeaker, the front wall at right angles to "
        "its axis; no other walls, no furniture, no change of the loudspeaker's own radiation load; uncertainties of "
        "the far field not included"
    ),
}
# Degree of a far field below 500 Hz: k r of a cabinet of 1 m is 9 there.
_PATTERN_DEGREE = 12
# How far a finer grid may change the power, dB.
_CONVERGED_DB = 0.01
# A dip of less is none.
_LEAST_DEPTH_DB = 1.0


@dataclass(frozen=True, slots=True)
class Boundaries:
    """Distances in metres from the acoustic place to the wall behind it, one at its side, and the floor.

    ``None``: there is none. Raises ``UsageError`` for a distance that is none.
    """

    front_m: float | None = None
    side_m: float | None = None
    floor_m: float | None = None
    side: Literal["left", "right"] = "left"

    def __post_init__(self) -> None:
        told = {"front wall": self.front_m, "side wall": self.side_m, "floor": self.floor_m}
        for name, distance_m in told.items():
            if distance_m is not None and not (np.isfinite(distance_m) and distance_m > 0.0):
                raise UsageError(
                    f"placement: found {distance_m:g} m from the acoustic place to the {name}; needed more than 0 m; "
                    "fix: state the distance, or leave the boundary out"
                )

    @property
    def walls_m(self) -> Floats:
        """Where the walls cross the axes x, y, z; inf = there is none."""
        left = 1.0 if self.side == "left" else -1.0
        signed = ((self.front_m, -1.0), (self.side_m, left), (self.floor_m, -1.0))
        return np.array([np.inf if away is None else sign * away for away, sign in signed])

    def mirrors(self) -> list[Floats]:
        """Signs of x, y, z of the loudspeaker itself and of every image, (3,) each."""
        sides = [(1.0, -1.0) if np.isfinite(wall_m) else (1.0,) for wall_m in self.walls_m]
        return [np.array(signs) for signs in product(*sides)]

    def place_m(self, mirror: Floats) -> Floats:
        """Where an image stands, (3,)."""
        return np.where(mirror < 0.0, 2.0 * np.where(np.isfinite(self.walls_m), self.walls_m, 0.0), 0.0)


@dataclass(frozen=True, slots=True)
class Notch:
    """A local minimum of the level change, found between frequencies."""

    frequency_hz: float
    change_db: float


def radiated_power_db(
    towards: Towards, frequency_hz: Floats, sound_speed_m_per_s: float, boundaries: Boundaries
) -> Floats:
    """Power radiated into what the boundaries leave of the sphere, dB re that in free field, (frequency,).

    By Gauss quadrature: with all images the field far away is alike in all parts of the sphere, so the mean over all
    of it is that over the part that is left, and no edge costs accuracy. For a monopole at x from one wall it is
    1 + sin(2kx) / (2kx) (Waterhouse). nan without a far field; ``NumericalError`` where a finer grid changes the
    result by more than 0.01 dB.
    """
    k = wavenumber(frequency_hz, sound_speed_m_per_s)
    span = float(k.max()) * 2.0 * float(np.linalg.norm(boundaries.walls_m[np.isfinite(boundaries.walls_m)]))
    # bandwidth of a plane wave over the span to 6 digits (Chew et al. 2001, chapter 3); products need half of it
    degree = _PATTERN_DEGREE + int(np.ceil((span + 6.0 * np.cbrt(span)) / 2.0))
    coarse, fine = (_power_db(towards, k, boundaries, at) for at in (degree, degree + degree // 4 + 4))
    change_db = float(np.nanmax(np.abs(fine - coarse), initial=0.0))
    if change_db > _CONVERGED_DB:
        raise NumericalError(
            "placement",
            f"change of the radiated power by a finer grid than degree {degree}",
            f"{change_db:.2g} dB",
            f"{_CONVERGED_DB:g} dB",
            f"the far field is not smooth enough up to {frequency_hz.max():g} Hz: leave the highest frequencies out",
        )
    return fine


def _power_db(towards: Towards, k: Floats, boundaries: Boundaries, degree: int) -> Floats:
    directions = balloon_directions("gauss", degree).reshape(degree + 1, 2 * degree + 2, 3)
    _, weights = np.polynomial.legendre.leggauss(degree + 1)
    alone = towards(directions.reshape(-1, 3)).reshape(-1, *directions.shape[:2])
    together = np.zeros_like(alone)
    for mirror in boundaries.mirrors():
        lead_m = directions @ boundaries.place_m(mirror)
        together += _mirrored(alone, mirror) * np.exp(1j * k[:, None, None] * lead_m)
    share = 1.0 / len(boundaries.mirrors())
    free, bounded = (np.mean(np.abs(field) ** 2, axis=2) @ weights for field in (alone, together))
    return power_db(share * bounded / free)


def _mirrored(pattern: Complexes, mirror: Floats) -> Complexes:
    """A pattern (frequency, ring, azimuth) on a Gauss grid: what it has in the mirrored direction."""
    x, y, z = mirror
    azimuths = np.arange(pattern.shape[2])
    # azimuth a is seen at 180 degrees minus a through a wall across x, at minus a across y
    half_turn = pattern.shape[2] // 2 if x < 0 else 0
    seen = (half_turn + azimuths * int(x * y)) % pattern.shape[2]
    return pattern[:, :: int(z), seen]


def level_change_db(
    towards: Towards, frequency_hz: Floats, sound_speed_m_per_s: float, boundaries: Boundaries, seat_m: Floats
) -> Floats:
    """Level of direct sound and images at a place (3,), dB re the direct sound alone, (frequency,).

    ``UsageError`` for a place at the loudspeaker or behind a boundary.
    """
    _require_in_the_room(boundaries, seat_m)
    k = wavenumber(frequency_hz, sound_speed_m_per_s)
    arrivals = []
    for mirror in boundaries.mirrors():
        path_m = seat_m - boundaries.place_m(mirror)
        distance_m = float(np.linalg.norm(path_m))
        pressure = towards((mirror * path_m / distance_m)[None])[:, 0]
        arrivals.append(pressure * np.exp(-1j * k * distance_m) / distance_m)
    # the first is the loudspeaker itself
    return amplitude_db(np.abs(np.sum(arrivals, axis=0)) / np.abs(arrivals[0]))


def notches(frequency_hz: Floats, change_db: Floats) -> tuple[Notch, ...]:
    """Local minima of a level change (frequency,) of at least 1 dB below the direct sound, from low to high.

    Between frequencies by a parabola through three squared pressures over log frequency, which near its minimum a sum
    of two arrivals is.
    """
    octave, power = np.log2(frequency_hz), 10.0 ** (change_db / 10.0)
    found = []
    for at in range(1, len(power) - 1):
        if power[at] < power[at - 1] and power[at] <= power[at + 1]:
            square, linear, constant = np.polyfit(octave[at - 1 : at + 2] - octave[at], power[at - 1 : at + 2], 2)
            lowest = max(constant - linear**2 / (4.0 * square), 0.0)
            found.append(Notch(float(2.0 ** (octave[at] - linear / (2.0 * square))), float(power_db(lowest))))
    return tuple(notch for notch in found if notch.change_db <= -_LEAST_DEPTH_DB)


def _require_in_the_room(boundaries: Boundaries, seat_m: Floats) -> None:
    walls_m = boundaries.walls_m
    # the room is on the side of every wall where the loudspeaker, at 0, is
    beyond = np.isfinite(walls_m) & (seat_m * np.sign(walls_m) >= np.abs(walls_m))
    if beyond.any() or not np.linalg.norm(seat_m) > 0.0:
        raise UsageError(
            f"placement: found a seat at ({', '.join(f'{x:g}' for x in seat_m)}) m from the acoustic place; needed "
            "one in front of all boundaries, away from the loudspeaker; fix: front, left and up are positive"
        )
