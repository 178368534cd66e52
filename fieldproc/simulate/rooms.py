"""Known rooms: a rectangular room of image sources, or none.

An image is the whole source mirrored, place and orientation. The pressure of a mirrored source at x is that
of the source itself at the mirrored x, so no source needs to know how to mirror itself. The sound of the
room passes the cabinet as though it were not there: its scattering is not included.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Complexes, Floats
from fieldproc.simulate.arrivals import sum_of_arrivals
from fieldproc.simulate.medium import Medium
from fieldproc.simulate.sources import MonopoleCluster, Source


@dataclass(frozen=True, slots=True)
class FreeField:
    """No room."""


@dataclass(frozen=True, slots=True)
class Shoebox:
    """A rectangular room: its sizes along x, y, z and its corner of smallest coordinates, in metres.

    ``reflection`` holds a real pressure reflection factor per wall: front (+x), rear (-x), left (+y), right
    (-y), up (+z), down (-z). Images of up to ``order`` reflections in all count.
    """

    size_m: tuple[float, float, float]
    corner_m: tuple[float, float, float]
    reflection: tuple[float, float, float, float, float, float]
    order: int

    def contains(self, positions_m: Floats) -> bool:
        """Do all positions (P, 3) lie inside?"""
        low = np.array(self.corner_m)
        return bool(np.all((positions_m > low) & (positions_m < low + np.array(self.size_m))))

    def distances_m(self, origin_m: Floats) -> Floats:
        """Distances from a point to the walls, in the order of ``reflection``."""
        low = np.array(self.corner_m)
        return np.stack([low + np.array(self.size_m) - origin_m, origin_m - low], axis=1).ravel()


Room = FreeField | Shoebox


@dataclass(frozen=True, slots=True)
class Images:
    """Image i of a point x is ``signs[i] * x + shifts[i]``, weighted by ``factors[i]``."""

    signs: Floats
    shifts_m: Floats
    factors: Floats


def images(room: Room) -> Images:
    """Every image of a room but the direct sound; those of no strength are left out."""
    kept: list[tuple[Floats, Floats, float]] = []
    if isinstance(room, Shoebox):
        low, size, wall = np.array(room.corner_m), np.array(room.size_m), np.reshape(room.reflection, (3, 2))
        for bounces in itertools.product(range(-room.order, room.order + 1), repeat=3):
            count = np.array(bounces)
            total = int(np.abs(count).sum())
            if not 0 < total <= room.order:
                continue
            mirrored = count % 2 == 1
            shift = np.where(mirrored, 2.0 * low + (count + 1) * size, count * size)
            # Of |count| reflections along an axis the first is the far wall's for positive counts.
            far = np.where(count > 0, (np.abs(count) + 1) // 2, np.abs(count) // 2)
            factor = float(np.prod(wall[:, 0] ** far * wall[:, 1] ** (np.abs(count) - far)))
            if factor != 0:
                kept.append((np.where(mirrored, -1.0, 1.0), shift, factor))
    return Images(
        np.array([sign for sign, _, _ in kept]).reshape(-1, 3),
        np.array([shift for _, shift, _ in kept]).reshape(-1, 3),
        np.array([factor for _, _, factor in kept]),
    )


def room_pressure(source: Source, room: Room, frequency_hz: Floats, positions_m: Floats, air: Medium) -> Complexes:
    """What arrives from the room alone (no direct sound), Pa/V: frequencies (F,), positions (P, 3), (F, P)."""
    mirror = images(room)
    if len(mirror.factors) == 0:
        return np.zeros((len(frequency_hz), len(positions_m)), dtype=np.complex128)
    # A mirroring is its own inverse but for the shift of an unmirrored axis.
    seen = (positions_m[None] - mirror.shifts_m[:, None]) * mirror.signs[:, None]
    if isinstance(source, MonopoleCluster):
        arrivals = [source.arrivals(view, air) for view in seen]
        delays = np.concatenate([delay for delay, _ in arrivals], axis=1)
        amplitudes = np.concatenate(
            [factor * amplitude for factor, (_, amplitude) in zip(mirror.factors, arrivals, strict=True)], axis=1
        )
        return source.drive(frequency_hz, air)[:, None] * sum_of_arrivals(frequency_hz, delays, amplitudes)
    total = np.zeros((len(frequency_hz), len(positions_m)), dtype=np.complex128)
    for factor, view in zip(mirror.factors, seen, strict=True):
        total += factor * source.pressure(frequency_hz, view, air)
    return total
