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
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Complexes, Floats, Integers
from fieldproc.expand.blocks import Block, BlockSolution, Tikhonov, solve_blocks
from fieldproc.expand.dense import (
    Scaling,
    WaveFamily,
    WaveFit,
    both_sets,
    channel_norm,
    outgoing_count,
    wave_fit,
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


@dataclass(frozen=True)
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
    return fit_ring_families(both_sets(orders, grid), wavenumber, pressure, tikhonov)


def fit_ring_families(
    families: Sequence[WaveFamily[RingGrid]],
    wavenumber: float,
    pressure: Complexes,
    tikhonov: Tikhonov | None,
) -> WaveFit:
    """The fit of ``fit_families`` on rings, all centres on their axis."""
    grid = families[0].points
    design = _Design(families, wavenumber)
    spectra = _ring_spectra(grid, pressure)
    parts = design.all_parts()
    blocks = [part.block(spectra) for part in parts]
    solution = solve_blocks(blocks, design.unknowns, pressure, tikhonov)
    energy = np.zeros((2, pressure.shape[0]))
    for block in blocks:
        outgoing = block.columns[0] < design.split
        for which, chosen in enumerate((outgoing, ~outgoing)):
            values = block.matrix[:, chosen] @ solution.coefficients[block.columns[:, chosen]]
            energy[which] += channel_norm(values) ** 2
    at_points = _back_to_points(grid, parts, solution, spectra, pressure.shape)
    columns = [block.columns for block in blocks]
    return wave_fit(families, columns, solution, design.scaling, at_points, np.sqrt(energy[1] / energy[0]))


def ring_blocks(families: Sequence[WaveFamily[RingGrid]], wavenumber: float, pressure: Complexes) -> list[Block]:
    """The problem of ``fit_ring_families`` as its independent blocks."""
    spectra = _ring_spectra(families[0].points, pressure)
    return [part.block(spectra) for part in _Design(families, wavenumber).all_parts()]


def _ring_spectra(grid: RingGrid, pressure: Complexes) -> list[Complexes]:
    """Unitary Fourier transform over azimuth, (ring, residue, channel) per group."""
    return [np.fft.fft(np.moveaxis(pressure[:, group.points], 0, 2), axis=1, norm="ortho") for group in grid.groups]


@dataclass(frozen=True)
class _Part:
    """Rows and columns of one class of orders, before the data are known.

    ``rows`` lists (group, residues (row,)): every ring of the group, once per residue. A single order and its
    negative share one matrix: ``orders`` then holds both, and ``turn`` what their rows are multiplied by.
    """

    matrix: Complexes
    columns: Integers
    rows: list[tuple[int, list[Integers]]]
    turn: list[list[Complexes]]

    def block(self, spectra: Sequence[Complexes]) -> Block:
        """The data of the part joined to its matrix."""
        copies = []
        for copy in range(len(self.columns)):
            rows = [
                spectra[group][:, residues[copy]] * self.turn[copy][number][:, :, None]
                for number, (group, residues) in enumerate(self.rows)
            ]
            copies.append(np.concatenate([row.reshape(-1, row.shape[2]) for row in rows]))
        return Block(self.matrix, np.stack(copies), self.columns)


class _Design:
    """The matrices of all classes at one wavenumber, and their column scaling."""

    def __init__(self, families: Sequence[WaveFamily[RingGrid]], wavenumber: float) -> None:
        self.families = families
        self.grid = families[0].points
        self.split = outgoing_count(families)
        counts = [coefficient_count(one.order) for one in families]
        self.starts = np.cumsum([0, *counts])
        self.unknowns = sum(counts)
        self.scaling = Scaling(np.zeros(self.unknowns, dtype=np.int64), np.ones(self.unknowns))
        self.radial: list[list[NDArray[np.complex128]]] = []
        for one, start, count in zip(families, self.starts, counts, strict=False):
            radius_m = [group.radius_m for group in one.points.groups]
            functions = RADIAL[one.name](one.order, wavenumber * np.concatenate(radius_m))
            values, exponent = functions.column_scaled()
            self.radial.append(np.split(values, np.cumsum([len(own) for own in radius_m])[:-1]))
            self.scaling.exponent[start : start + count] = exponent[column_degrees(one.order)]

    def all_parts(self) -> list[_Part]:
        """Every class of orders."""
        return [
            part
            for together in self.grid.classes(max(one.order for one in self.families))
            for part in self.parts(together)
        ]

    def parts(self, orders: list[int]) -> list[_Part]:
        """One part for a class; none for a lone negative order, which its positive twin carries."""
        if len(orders) > 1:
            return [self._coupled(orders)]
        return [] if orders[0] < 0 else [self._single(orders[0])]

    def _single(self, order: int) -> _Part:
        """Order m and, as a copy, -m: Y_n-m = (-1)^m Y_nm at azimuth zero, rows freed of exp(i m start)."""
        matrix = np.concatenate([self._columns(group, order) for group in range(len(self.grid.groups))])
        signed = [order] if order == 0 else [order, -order]
        sign = [1.0, (-1.0) ** order]
        columns = np.stack([self._places(one) for one in signed])
        rows = [
            (number, [np.array([one % group.count]) for one in signed])
            for number, group in enumerate(self.grid.groups)
        ]
        turn = [
            [factor * group.phase(-one)[:, None] for group in self.grid.groups]
            for one, factor in zip(signed, sign, strict=False)
        ]
        return self._scaled(matrix, columns, rows, turn)

    def _coupled(self, orders: list[int]) -> _Part:
        """Orders that some ring cannot tell apart: one row per ring and residue."""
        blocks, rows, turn = [], [], []
        for number, group in enumerate(self.grid.groups):
            residues = np.array(sorted({order % group.count for order in orders}))
            pieces = []
            for order in orders:
                column = self._columns(number, order) * group.phase(order)[:, None]
                seen = residues == order % group.count
                pieces.append((column[:, None, :] * seen[None, :, None]).reshape(-1, column.shape[1]))
            blocks.append(np.concatenate(pieces, axis=1))
            rows.append((number, [residues]))
            turn.append(np.ones((len(group.start), len(residues)), dtype=np.complex128))
        columns = np.concatenate([self._places(order) for order in orders])[None]
        return self._scaled(np.concatenate(blocks), columns, rows, [turn])

    def _scaled(
        self,
        matrix: Complexes,
        columns: Integers,
        rows: list[tuple[int, list[Integers]]],
        turn: list[list[Complexes]],
    ) -> _Part:
        """The part with unit columns; the norms go to the scaling."""
        norms = np.linalg.norm(matrix, axis=0)
        norms = np.where(norms > 0, norms, 1.0)
        self.scaling.norms[columns] = norms
        return _Part(matrix / norms, columns, rows, turn)

    def _columns(self, number: int, order: int) -> Complexes:
        """w sqrt(n) f_n(kr) Y_nm(colatitude, 0) on the rings of a group, family by family."""
        pieces = []
        for radial, one in zip(self.radial, self.families, strict=True):
            degrees = np.arange(abs(order), one.order + 1)
            profile = one.points.profiles[number][:, degrees * degrees + degrees + order]
            pieces.append(radial[number][:, degrees] * profile)
        group = self.grid.groups[number]
        return np.asarray(np.sqrt(group.count) * group.weight[:, None] * np.concatenate(pieces, axis=1))

    def _places(self, order: int) -> Integers:
        """Places of those columns among all unknowns."""
        places = []
        for one, start in zip(self.families, self.starts, strict=False):
            places += [start + coefficient_index(n, order) for n in range(abs(order), one.order + 1)]
        return np.array(places)


def _back_to_points(
    grid: RingGrid,
    parts: Sequence[_Part],
    solution: BlockSolution,
    spectra: Sequence[Complexes],
    shape: tuple[int, ...],
) -> tuple[Complexes, Floats]:
    """Residual and leverage at the points, (channel, point) each."""
    missed = [spectrum.copy() for spectrum in spectra]
    leverage = np.zeros((shape[1], shape[0]))
    for number_of_part, part in enumerate(parts):
        fitted, basis, filters = (
            solution.fitted[number_of_part],
            solution.bases[number_of_part],
            solution.filters[number_of_part],
        )
        first = 0
        for number, (index, residues) in enumerate(part.rows):
            group, width = grid.groups[index], len(residues[0])
            rings = len(group.start)
            rows = slice(first, first + rings * width)
            first += rings * width
            for copy, residue in enumerate(residues):
                turned = fitted[copy, rows].reshape(rings, width, -1) / part.turn[copy][number][:, :, None]
                missed[index][:, residue] -= turned
            leverage[group.points] += len(residues) * _ring_leverage(
                basis[rows].reshape(rings, width, -1), filters, residues[0], group.count
            )
    residual = np.empty(shape, dtype=np.complex128)
    for group, spectrum in zip(grid.groups, missed, strict=True):
        residual[:, group.points] = np.moveaxis(np.fft.ifft(spectrum, axis=1, norm="ortho"), 2, 0)
    return residual, leverage.T


def _ring_leverage(basis: Complexes, filters: Floats, residues: Integers, count: int) -> Floats:
    """Share of one part in the leverage of the points of its rings, (ring, azimuth or 1, channel).

    ``basis`` (ring, residue, column). A single residue weighs all azimuths alike; several interfere.
    """
    if len(residues) == 1:
        return np.asarray(np.abs(basis) ** 2 @ filters / count)
    turns = np.exp(2j * np.pi * np.outer(np.arange(count), residues) / count)
    return np.asarray(np.abs(turns @ basis) ** 2 @ filters / count)
