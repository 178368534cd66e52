"""The ring solver: points on rings about the z axis, a Fourier transform over azimuth, one small fit per order.

On a ring of n equally spaced azimuths, the orders m that agree modulo n look alike, all others are
orthogonal. So the least-squares problem falls into classes of orders that no ring keeps apart: single
orders where every ring has more azimuths than there are orders, and coupled ones below that, which are solved
together, exactly. Alternate rings turned by half a step give coupled orders opposite signs, and so
separate them. The transform is unitary: solution, condition and leverages are those of the dense fit.

Rings are recognised from the positions; nothing in a file promises them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Complexes, Floats, Integers
from fieldproc.expand.blocks import Block, BlockSolution, Tikhonov, solve_blocks
from fieldproc.expand.dense import (
    Scaling,
    WaveFamily,
    WaveFit,
    both_sets,
    outgoing_count,
    wave_fits,
)
from fieldproc.waves.basis import RADIAL
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_count, coefficient_index, column_degrees

# Positions this far from a perfect ring still count as on it: a millionth of a radian at 1.8 kHz per 0.1 um.
TOLERANCE_M = 1e-7


@dataclass(frozen=True)
class RingGroup:
    """Rings of equal count: ``points`` (ring, azimuth) are indices into the scan, in rising azimuth.

    ``start`` (ring,) is the azimuth of the first point, ``weight`` (ring,) multiplies all its rows.
    """

    points: Integers
    radius_m: Floats
    colatitude: Floats
    start: Floats
    weight: Floats

    @property
    def count(self) -> int:
        """Azimuths per ring."""
        return int(self.points.shape[1])

    def phase(self, order: int) -> Complexes:
        """exp(i m start) of every ring."""
        return np.asarray(np.exp(1j * order * self.start))


@dataclass(frozen=True, eq=False)
class RingGrid:
    """All rings of a scan, grouped by count, and the harmonics at azimuth zero (real) up to ``top_order``."""

    groups: tuple[RingGroup, ...]
    top_order: int

    @cached_property
    def profiles(self) -> tuple[Floats, ...]:
        """Y_nm(colatitude, 0) per group, (ring, coefficient)."""
        profiles = []
        for group in self.groups:
            meridian = np.stack(
                [np.sin(group.colatitude), np.zeros(len(group.start)), np.cos(group.colatitude)], axis=1
            )
            profiles.append(spherical_harmonics(self.top_order, meridian).real)
        return tuple(profiles)

    def classes(self, top_order: int) -> list[list[int]]:
        """Orders -N..N in classes that share no ring residue with each other, by rising absolute order."""
        label = {order: order for order in range(-top_order, top_order + 1)}
        for group in self.groups:
            # on the axis only order 0 is seen, so nothing couples there
            if group.count >= 2 * top_order + 1 or np.all(np.sin(group.colatitude) < 1e-12):
                continue
            for order in range(-top_order, top_order + 1 - group.count):
                merged, kept = label[order + group.count], label[order]
                label = {one: kept if name == merged else name for one, name in label.items()}
        members: dict[int, list[int]] = {}
        for order, name in label.items():
            members.setdefault(name, []).append(order)
        return sorted(members.values(), key=lambda orders: min(abs(order) for order in orders))

    def seen_from(self, height_m: float, top_order: int) -> RingGrid:
        """The same rings as a centre at that height on their axis sees them, harmonics up to ``top_order``."""
        moved = []
        for group in self.groups:
            from_axis, along = group.radius_m * np.sin(group.colatitude), group.radius_m * np.cos(group.colatitude)
            offset = np.arctan2(from_axis, along - height_m)
            moved.append(replace(group, radius_m=np.hypot(from_axis, along - height_m), colatitude=offset))
        return RingGrid(tuple(moved), top_order)


def recognise_rings(offsets_m: Floats, top_order: int, weights: Floats | None = None) -> RingGrid | None:
    """The rings that hold all points (point, 3), or None where they do not lie on rings about the z axis.

    ``weights`` (point,) multiply the rows of the fit, 1 if left out; None also where they differ along a ring.

    A lone point off the axis is a ring of one, which couples every order: None where the largest class of
    orders up to ``top_order`` holds more than half of them, for then the dense fit is as fast.
    """
    from_axis = np.hypot(offsets_m[:, 0], offsets_m[:, 1])
    weights = np.ones(len(offsets_m)) if weights is None else weights
    found: dict[int, list[tuple[Integers, float]]] = {}
    for level in _clusters(offsets_m[:, 2], np.arange(len(offsets_m))):
        for points in _clusters(from_axis, level):
            ring = _as_ring(offsets_m, from_axis, points)
            if ring is None or np.ptp(weights[points]) > 0:
                return None
            found.setdefault(len(points), []).append(ring)
    groups = []
    for _, rings in sorted(found.items()):
        points = np.stack([ring for ring, _ in rings])
        first = points[:, 0]
        groups.append(
            RingGroup(
                points,
                np.linalg.norm(offsets_m[first], axis=1),
                np.arctan2(from_axis[first], offsets_m[first, 2]),
                np.array([start for _, start in rings]),
                weights[first],
            )
        )
    grid = RingGrid(tuple(groups), top_order)
    largest = max(len(orders) for orders in grid.classes(top_order))
    return grid if largest <= max(1, top_order) else None


def _clusters(values: Floats, points: Integers) -> list[Integers]:
    """``points`` in groups whose values differ by less than the tolerance."""
    ordered = points[np.argsort(values[points], kind="stable")]
    return np.split(ordered, np.flatnonzero(np.diff(values[ordered]) > TOLERANCE_M) + 1)


def _as_ring(offsets_m: Floats, from_axis: Floats, points: Integers) -> tuple[Integers, float] | None:
    """Points in rising azimuth and the azimuth of the first, if equally spaced."""
    azimuth = np.arctan2(offsets_m[points, 1], offsets_m[points, 0])
    order = np.argsort(azimuth)
    expected = azimuth[order[0]] + 2.0 * np.pi * np.arange(len(points)) / len(points)
    off_m = np.abs(azimuth[order] - expected) * from_axis[points].max()
    return (points[order], float(azimuth[order[0]])) if off_m.max() <= TOLERANCE_M else None


def fit_rings(
    grid: RingGrid,
    wavenumber: float,
    orders: tuple[int, int],
    pressure: Complexes,
    tikhonov: Tikhonov | None = None,
) -> WaveFit:
    """The fit of ``fit_waves`` on rings; ``pressure`` (channel, point), one wavenumber for all points."""
    return fit_ring_stack(both_sets(orders, grid), np.array([wavenumber]), pressure[None], tikhonov)[0]


def fit_ring_stack(
    families: Sequence[WaveFamily[RingGrid]],
    wavenumbers: Floats,
    pressure: Complexes,
    tikhonov: Tikhonov | None,
    *,
    spread: bool = False,
) -> list[WaveFit]:
    """The fit of ``fit_families`` on rings, all centres on their axis, several frequencies at a call.

    ``wavenumbers`` (frequency,), ``pressure`` (frequency, channel, point). With ``spread``, the fits tell that too.
    """
    grid = families[0].points
    spectra = _ring_spectra(grid, pressure)
    layout, blocks, scaling = _design(families, wavenumbers, spectra)
    solution = solve_blocks(blocks, layout.unknowns, pressure, tikhonov)
    split = outgoing_count(families)
    energy = np.zeros((2, *pressure.shape[:2]))
    for block in blocks:
        outgoing = block.columns[0] < split
        for which, chosen in enumerate((outgoing, ~outgoing)):
            values = block.matrix[:, None, :, chosen] @ solution.coefficients[:, block.columns[:, chosen]]
            energy[which] += np.sum(np.abs(values) ** 2, axis=(1, 2))
    at_points = _back_to_points(grid, layout.parts, solution, spectra, pressure.shape)
    columns = [block.columns for block in blocks]

    def rows(change: Complexes) -> list[Complexes]:
        changed = _ring_spectra(grid, change)
        return [part.data(changed) for part in layout.parts]

    told = rows if spread else None
    return wave_fits(families, columns, solution, scaling, at_points, np.sqrt(energy[1] / energy[0]), told)


def ring_blocks(families: Sequence[WaveFamily[RingGrid]], wavenumber: float, pressure: Complexes) -> list[Block]:
    """The problem of ``fit_ring_stack`` as its independent blocks, one frequency; ``pressure`` (channel, point)."""
    spectra = _ring_spectra(families[0].points, pressure[None])
    return _design(families, np.array([wavenumber]), spectra)[1]


def _ring_spectra(grid: RingGrid, pressure: Complexes) -> list[Complexes]:
    """Unitary Fourier transform over azimuth, (frequency, ring, residue, channel) per group."""
    return [
        np.fft.fft(np.moveaxis(pressure[:, :, group.points], 1, 3), axis=2, norm="ortho") for group in grid.groups
    ]


@dataclass(frozen=True, slots=True)
class _Piece:
    """Columns of one family and order: degrees from ``lowest`` on, their angular factor (row, degree)."""

    family: int
    lowest: int
    angular: NDArray[Any]


@dataclass(frozen=True, slots=True)
class _Part:
    """One class of orders at every wavenumber: rows, columns, and angular factors.

    ``rows`` lists (group, residues (row,)): every ring of the group, once per residue; ``ring`` (row,) is the ring of
    each row. A single order and its negative share one matrix: ``columns`` (copy, column) then holds both, and
    ``turn`` what their rows are multiplied by.
    """

    columns: Integers
    rows: list[tuple[int, list[Integers]]]
    ring: Integers | slice
    turn: list[list[Complexes]]
    pieces: list[_Piece]

    def matrix(self, radial: Sequence[NDArray[Any]]) -> Complexes:
        """Columns before scaling, from the radial functions (frequency, ring, degree) of every family."""
        return np.concatenate(
            [radial[one.family][:, self.ring, one.lowest :] * one.angular for one in self.pieces],
            axis=2,
            dtype=np.complex128,
        )

    def data(self, spectra: Sequence[Complexes]) -> Complexes:
        """Its rows of the spectra, (frequency, copy, row, channel)."""
        copies = []
        for copy in range(len(self.columns)):
            rows = [
                spectra[group][:, :, residues[copy]] * self.turn[copy][number][:, :, None]
                for number, (group, residues) in enumerate(self.rows)
            ]
            flat = [row.reshape(len(row), row.shape[1] * row.shape[2], row.shape[3]) for row in rows]
            copies.append(np.concatenate(flat, axis=1))
        return np.stack(copies, axis=1)


class _Layout:
    """The classes of orders of families, all that no wavenumber enters."""

    def __init__(self, grids: Sequence[RingGrid], orders: Sequence[int]) -> None:
        self.grids, self.orders = grids, orders
        self.starts = np.cumsum([0, *(coefficient_count(order) for order in orders)])
        self.unknowns = int(self.starts[-1])
        self.radius_m = [np.concatenate([group.radius_m for group in grid.groups]) for grid in grids]
        self.parts = []
        for together in grids[0].classes(max(orders)):
            if len(together) > 1:
                self.parts.append(self._coupled(together))
            elif together[0] >= 0:
                # a lone negative order travels with its positive twin
                self.parts.append(self._single(together[0]))

    def _single(self, order: int) -> _Part:
        """Order m and, as a copy, -m: Y_n-m = (-1)^m Y_nm at azimuth zero, rows freed of exp(i m start)."""
        groups = self.grids[0].groups
        signed = [order] if order == 0 else [order, -order]
        turn = [
            [factor * group.phase(-one)[:, None] for group in groups]
            for one, factor in zip(signed, (1.0, (-1.0) ** order), strict=False)
        ]
        pieces = []
        for family in range(len(self.grids)):
            by_group = [self._angular(family, number, order) for number in range(len(groups))]
            pieces.append(_Piece(family, order, np.concatenate(by_group)))
        return _Part(
            columns=np.stack([self._places(one) for one in signed]),
            rows=[(number, [np.array([one % group.count]) for one in signed]) for number, group in enumerate(groups)],
            ring=slice(None),
            turn=turn,
            pieces=pieces,
        )

    def _coupled(self, orders: list[int]) -> _Part:
        """Orders that some ring cannot tell apart: one row per ring and residue."""
        groups = self.grids[0].groups
        residues = [np.array(sorted({order % group.count for order in orders})) for group in groups]
        rings = np.split(np.arange(len(self.radius_m[0])), np.cumsum([len(group.start) for group in groups])[:-1])
        pieces = []
        for order in orders:
            for family in np.flatnonzero(np.array(self.orders) >= abs(order)).tolist():
                by_group = []
                for number, (group, seen) in enumerate(zip(groups, residues, strict=True)):
                    column = self._angular(family, number, order) * group.phase(order)[:, None]
                    whole = column[:, None, :] * (seen == order % group.count)[None, :, None]
                    by_group.append(whole.reshape(-1, column.shape[1]))
                pieces.append(_Piece(family, abs(order), np.concatenate(by_group)))
        return _Part(
            columns=np.concatenate([self._places(order) for order in orders])[None],
            rows=[(number, [seen]) for number, seen in enumerate(residues)],
            ring=np.concatenate([np.repeat(ring, len(seen)) for ring, seen in zip(rings, residues, strict=True)]),
            turn=[
                [
                    np.ones((len(group.start), len(seen)), dtype=np.complex128)
                    for group, seen in zip(groups, residues, strict=True)
                ]
            ],
            pieces=pieces,
        )

    def _angular(self, family: int, number: int, order: int) -> Floats:
        """w sqrt(n) Y_nm(colatitude, 0) on the rings of a group, degrees |m| to the top."""
        grid = self.grids[family]
        group = grid.groups[number]
        degrees = np.arange(abs(order), self.orders[family] + 1)
        profile = grid.profiles[number][:, coefficient_index(degrees, order)]
        return np.asarray(np.sqrt(group.count) * group.weight[:, None] * profile)

    def _places(self, order: int) -> Integers:
        """Places of the columns of an order among all unknowns."""
        places = []
        for top, start in zip(self.orders, self.starts, strict=False):
            degrees = np.arange(abs(order), top + 1)
            places.append(start + coefficient_index(degrees, order))
        return np.concatenate(places)


@lru_cache(maxsize=8)
def _layout(grids: tuple[RingGrid, ...], orders: tuple[int, ...]) -> _Layout:
    """The layout, kept while neighbouring frequencies share it."""
    return _Layout(grids, orders)


def _design(
    families: Sequence[WaveFamily[RingGrid]], wavenumbers: Floats, spectra: Sequence[Complexes]
) -> tuple[_Layout, list[Block], Scaling]:
    """Layout, blocks with unit columns, and what was taken out of the columns."""
    layout = _layout(tuple(one.points for one in families), tuple(one.order for one in families))
    size = len(wavenumbers), layout.unknowns
    scaling = Scaling(np.empty(size, dtype=np.int64), np.empty(size))
    radial = []
    for one, radius_m, start in zip(families, layout.radius_m, layout.starts, strict=False):
        functions = RADIAL[one.name](one.order, np.outer(wavenumbers, radius_m).ravel())
        values, exponent = functions.stacked(len(wavenumbers)).column_scaled()
        radial.append(values)
        scaling.exponent[:, start : start + coefficient_count(one.order)] = exponent[:, column_degrees(one.order)]
    blocks = []
    for part in layout.parts:
        matrix = part.matrix(radial)
        norms: Floats = np.linalg.norm(matrix, axis=1)
        # a column can be zero only where every point sits on a node of it; it then stays zero
        norms = np.where(norms > 0, norms, 1.0)
        scaling.norms[:, part.columns] = norms[:, None]
        matrix /= norms[:, None]
        blocks.append(Block(matrix, part.data(spectra), part.columns))
    return layout, blocks, scaling


def _back_to_points(
    grid: RingGrid,
    parts: Sequence[_Part],
    solution: BlockSolution,
    spectra: Sequence[Complexes],
    shape: tuple[int, ...],
) -> tuple[Complexes, Floats]:
    """Residual and leverage at the points, (frequency, channel, point) each."""
    frequencies, channels, points = shape
    missed = [spectrum.copy() for spectrum in spectra]
    leverage = np.zeros((frequencies, points, channels))
    for part, fitted, basis, filters in zip(parts, solution.fitted, solution.bases, solution.filters, strict=True):
        first = 0
        for number, (index, residues) in enumerate(part.rows):
            group, width = grid.groups[index], len(residues[0])
            rings = len(group.start)
            rows = slice(first, first + rings * width)
            first += rings * width
            for copy, residue in enumerate(residues):
                turned = fitted[:, copy, rows].reshape(frequencies, rings, width, channels)
                missed[index][:, :, residue] -= turned / part.turn[copy][number][:, :, None]
            whole = basis[:, rows].reshape(frequencies, rings, width, -1)
            leverage[:, group.points] += len(residues) * _ring_leverage(whole, filters, residues[0], group.count)
    residual = np.empty(shape, dtype=np.complex128)
    for group, spectrum in zip(grid.groups, missed, strict=True):
        residual[:, :, group.points] = np.moveaxis(np.fft.ifft(spectrum, axis=2, norm="ortho"), 3, 1)
    return residual, leverage.swapaxes(1, 2)


def _ring_leverage(basis: Complexes, filters: Floats, residues: Integers, count: int) -> Floats:
    """Share of one part in the leverage of the points of its rings, (frequency, ring, azimuth or 1, channel).

    ``basis`` (frequency, ring, residue, column). A single residue weighs all azimuths alike; several interfere.
    """
    if len(residues) == 1:
        return np.asarray(np.abs(basis) ** 2 @ filters[:, None] / count)
    turns = np.exp(2j * np.pi * np.outer(np.arange(count), residues) / count)
    return np.asarray(np.abs(turns @ basis) ** 2 @ filters[:, None] / count)
