"""In which order a robot visits the points: slow changes must not look like sound.

Surface after surface and ring after ring, a slow drift is a smooth function of place, and low degrees take it for
sound. Any other order that follows from the place by a rule makes a pattern, and the orders that the data choose
reach up to patterns: stripes from ring to ring cost more than no care at all. Times must be scattered without a
pattern, yet alike on the average everywhere. So the scan is made in passes over the whole surface. Each takes the
rings of one class (every q-th ring) and of these, out of every q neighbouring azimuths on either surface, one drawn
at random. A pass is one way up or down the surface, out on one surface and back on the other at each of its rings,
so ways are about q times as long as surface after surface.
"""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import Booleans, Floats, Integers

_SEED = 40


def interleaved(rings: int, azimuths: int, stride: int) -> Integers:
    """Visits as rows (surface, ring, azimuth) of two surfaces of equal rings, (visit, 3), in time order.

    ``stride`` squared passes; 1 means ring after ring, inner and outer together.
    """
    generator = np.random.default_rng(_SEED)
    lots = _lots(rings, azimuths, stride, generator)
    rows = []
    for lot in range(stride):
        for turn in range(stride):
            # every class of rings comes once in every lot, first in one of them, second in another, and so on
            own = np.arange((turn + lot) % stride, rings, stride)
            for number, ring in enumerate(own if lot % 2 == 0 else own[::-1]):
                rows.append(_turn(lots[:, ring] == lot, int(ring), (number + turn + lot) % 2))
    return np.concatenate(rows)


def _lots(rings: int, azimuths: int, stride: int, generator: np.random.Generator) -> Integers:
    """In which lot each point is taken, (surface, ring, azimuth); ``stride`` neighbours are in as many lots."""
    rows = -(-azimuths // stride)
    drawn = generator.permuted(np.tile(np.arange(stride), (2, rings, rows, 1)), axis=3)
    # the last row may be cut: where a ring begins is drawn too, so that the cut is not always in one place
    lots = drawn.reshape(2, rings, rows * stride)[:, :, :azimuths]
    starts = generator.integers(azimuths, size=(2, rings, 1))
    return np.asarray(np.take_along_axis(lots, (np.arange(azimuths) + starts) % azimuths, axis=2))


def _turn(wanted: Booleans, ring: int, first: int) -> Integers:
    """Around a ring over the wanted points (surface, azimuth), out on one surface and back on the other."""
    rows = []
    for surface in (first, 1 - first):
        azimuth = np.flatnonzero(wanted[surface])
        ordered = azimuth if surface == first else azimuth[::-1]
        rows.append(np.stack([np.full(len(azimuth), surface), np.full(len(azimuth), ring), ordered], axis=1))
    return np.concatenate(rows)


def surface_after_surface(rings: int, azimuths: int) -> Integers:
    """The plain order: one surface from top to bottom, then the other, every ring from azimuth zero."""
    return np.stack(np.unravel_index(np.arange(2 * rings * azimuths), (2, rings, azimuths)), axis=1)


def with_returns(visits: int, returns: int) -> Integers:
    """Places of ``returns`` more visits, as indices into the visits before which they come, evenly spread in time."""
    return np.rint(np.linspace(0, visits, returns)).astype(np.int64)


def travel_m(positions_m: Floats) -> float:
    """Sum of the straight ways between successive visits (visit, 3); round the cabinet they are longer."""
    return float(np.linalg.norm(np.diff(positions_m, axis=0), axis=1).sum())
