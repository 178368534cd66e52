"""Where gated spectra take over from separated ones, and how far the two disagree.

Below, the gate is too short; above, the points are too few to tell room from loudspeaker, and calibration errors
between surfaces and the scattering of the cabinet grow. Where the two answers agree best, the larger of their errors
is smallest: there is the seam. Both are complex coefficients about one origin, and are blended as such.

Their difference is the one measure of what no residual shows: a gate spoils no calibration between surfaces and holds
nothing that the cabinet made of the room's sound, and separation cuts no tail.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal, TypeVar

import numpy as np

from fieldproc.conventions import Booleans, Complexes, Floats, Integers, amplitude_db
from fieldproc.records import AnyComplexes, Deviations, Expansion, Measures, Quality, Verdict

Record = TypeVar("Record", Quality, Measures)

# Half-width of the blend, and of the mean that the choice of its middle goes by, in octaves.
_HALF_BLEND, _HALF_MEAN = 0.25, 1.0 / 6.0
# Above this difference a blend of the two is no better than their mean: caution.
CAUTION_DB = -25.0
# What outlasts the gate is told by a shorter one. With -30.3 dB of it, a resonance of Q 11 lost half of its Q and a
# third of its gain, with -31.8 dB one of Q 3 a quarter of its Q; at -40 dB the separation would have to answer where
# points lack (two caps in a room, 2.7 kHz).
_OUTLASTS_DB = -34.0


@dataclass(frozen=True, slots=True)
class Seam:
    """Share of the gated answer per frequency (0 below, 1 above), and the difference where both answer.

    ``difference_db`` (frequency, channel) is the rms far field of separated minus gated re gated, nan where one of
    them does not answer; ``crossover_hz`` the middle of the blend.
    """

    share: Floats
    difference_db: Floats
    crossover_hz: float


def difference(separated: Complexes, gated: Complexes) -> Floats:
    """Norm of the difference re the norm of ``gated``; both (..., coefficient)."""
    size = np.sum(np.abs(gated) ** 2, axis=-1)
    return np.asarray(np.sqrt(square_difference(separated, gated) / np.where(size > 0, size, np.nan)))


def square_difference(one: Complexes, other: Complexes) -> Floats:
    """Square sum over the coefficients (last axis) of the difference, the shorter one filled with zeros."""
    common = min(one.shape[-1], other.shape[-1])
    rest = [np.sum(np.abs(part[..., common:]) ** 2, axis=-1) for part in (one, other)]
    return np.asarray(np.sum(np.abs(one[..., :common] - other[..., :common]) ** 2, axis=-1) + sum(rest))


def overlap(separated: Expansion, gated: Expansion) -> Integers:
    """Rows where both answer: separation with room waves, neither of them to be discarded."""
    return np.flatnonzero(_answers(separated) & _answers(gated) & (separated.regular_order >= 0))


def _undoubted(gated: Expansion, both: Integers, tail_db: Floats | None) -> Booleans:
    """Where in ``both`` nothing doubts the gated answer: low down too much outlasts the gate, high up points lack.

    Nor does anything above outlast the gate, by ``tail_db`` (frequency, channel): a gate cuts off a resonance that
    rings on, and no error tells.
    """
    good = np.all(gated.quality.verdict[both] == Verdict.GOOD, axis=1)
    if tail_db is None:
        return np.asarray(good)
    outlasting = both[np.any(tail_db[both] > _OUTLASTS_DB, axis=1)]
    return np.asarray(good & (both > outlasting.max(initial=-1)))


def _answers(one: Expansion) -> Booleans:
    """Rows that are not to be discarded in any channel."""
    return np.asarray(np.all(one.quality.verdict < Verdict.DO_NOT_USE, axis=1))


def best_agreement(frequency_hz: Floats, both: Integers, missed: Floats) -> tuple[int, float]:
    """Row of ``both`` about which the difference ``missed`` (overlap, channel) is least, and how large it is."""
    octaves = np.log2(frequency_hz[both])
    near = np.abs(octaves[:, None] - octaves) <= _HALF_MEAN * (1 + 1e-9)
    mean = (near @ np.mean(missed**2, axis=1)) / near.sum(axis=1)
    at = int(np.argmin(mean))
    return int(both[at]), float(np.sqrt(mean[at]))


def find_seam(
    separated: Expansion, gated: Expansion, crossover_hz: Literal["auto"] | float, tail_db: Floats | None = None
) -> Seam:
    """The seam of two expansions about one origin; ``tail_db`` (frequency, channel) is what outlasts the gate."""
    frequency_hz, both = separated.frequency_hz, overlap(separated, gated)
    difference_db = np.full(separated.quality.verdict.shape, np.nan)
    missed = difference(separated.outgoing[both], gated.outgoing[both])
    difference_db[both] = amplitude_db(missed)
    sound = _undoubted(gated, both, tail_db)
    if crossover_hz != "auto":
        middle_hz, width = crossover_hz, _HALF_BLEND
    elif sound.any():
        middle_hz = float(frequency_hz[best_agreement(frequency_hz, both[sound], missed[sound])[0]])
        width = _HALF_BLEND
    else:
        # nothing to choose between: gated as soon as it answers, above all that was told from the room's sound
        last = np.flatnonzero(_answers(separated) & (separated.regular_order >= 0)).max(initial=-1)
        first = np.flatnonzero(_answers(gated) & (np.arange(len(frequency_hz)) > last))
        middle_hz, width = (float(frequency_hz[first[0]]) if first.size else np.inf), 0.0
    blended = both if crossover_hz != "auto" else both[sound]
    return Seam(_share(frequency_hz, middle_hz, width, blended), difference_db, middle_hz)


def _share(frequency_hz: Floats, middle_hz: float, width: float, both: Integers) -> Floats:
    """From 0 to 1 in octaves about the middle, no farther on either side than both answer."""
    away = np.log2(frequency_hz) - np.log2(middle_hz)
    if both.size:
        # what lies between may have holes
        alone = np.delete(np.abs(away), both).min(initial=np.inf)
        width = max(0.0, min(width, -float(away[both].min()), float(away[both].max()), alone))
    if width == 0.0:
        return np.asarray(np.where(away >= 0.0, 1.0, 0.0))
    return np.asarray(np.sin(0.25 * np.pi * (1.0 + np.clip(away / width, -1.0, 1.0))) ** 2)


def join(separated: Expansion, gated: Expansion, seam: Seam) -> Expansion:
    """One expansion of both; what a blended row says of its quality, the larger part of it says."""
    upper = seam.share >= 0.5
    sizes = [max(one.outgoing.shape[2] for one in (separated, gated)), separated.regular.shape[2]]
    outgoing = _blend(_padded(separated.outgoing, sizes[0]), _padded(gated.outgoing, sizes[0]), seam.share)
    blended = (seam.share > 0.0) & (seam.share < 1.0)
    orders = [one.outgoing_order for one in (separated, gated)]
    order = np.where(seam.share == 0.0, orders[0], np.where(seam.share == 1.0, orders[1], np.maximum(*orders)))
    return replace(
        separated,
        outgoing=outgoing,
        regular=np.where((seam.share < 1.0)[:, None, None], separated.regular, 0.0),
        outgoing_order=order,
        regular_order=np.where(seam.share < 1.0, separated.regular_order, -1),
        quality=_joined_quality(separated.quality, gated.quality, seam, upper, blended),
        deviations=_joined_deviations(separated.deviations, gated.deviations, seam.share),
        measures=_joined_measures(separated.measures, gated.measures, upper),
    )


def _joined_deviations(lower: Deviations | None, upper: Deviations | None, share: Floats) -> Deviations | None:
    """Blended like the coefficients: causes are the same in both answers, draws independent."""
    if lower is None or upper is None:
        return None

    vectors = lower.draws + len(lower.causes)

    def blended(below: AnyComplexes, above: AnyComplexes, part: float) -> AnyComplexes:
        if part == 0.0 or not above.shape[1]:
            return below
        # what only the room's sound does, the gated answer lacks
        above = np.pad(above, ((0, 0), (0, vectors - above.shape[1]), (0, 0)))
        if part == 1.0 or not below.shape[1]:
            return above
        count = max(below.shape[2], above.shape[2])
        whole = (1.0 - part) * _padded(below, count) + part * _padded(above, count)
        return np.asarray(whole, dtype=below.dtype)

    outgoing = tuple(map(blended, lower.outgoing, upper.outgoing, share.tolist()))
    return replace(lower, outgoing=outgoing)


def _joined_measures(lower: Measures | None, upper: Measures | None, gated: Booleans) -> Measures | None:
    if lower is None or upper is None:
        return None
    return Measures(surface=lower.surface, **_of_rows(lower, upper, gated))


def _of_rows(lower: Record, upper: Record, gated: Booleans) -> dict[str, Any]:
    """Arrays over frequency, each row of either."""
    values: dict[str, Any] = {}
    for name, axes in lower.AXES.items():
        below, above = getattr(lower, name), getattr(upper, name)
        if axes[0] == "frequency":
            values[name] = np.where(gated.reshape(-1, *[1] * (below.ndim - 1)), above, below)
    return values


def _joined_quality(lower: Quality, upper: Quality, seam: Seam, gated: Booleans, blended: Booleans) -> Quality:
    values = _of_rows(lower, upper, gated)
    verdict = values["verdict"]
    both = np.maximum(lower.verdict, upper.verdict)
    doubted = np.where(seam.difference_db > CAUTION_DB, int(Verdict.CAUTION), int(Verdict.GOOD))
    values["verdict"] = np.where(blended[:, None], np.maximum(both, doubted), verdict)
    power = np.mean([10.0 ** (one.point_residual_db / 10.0) for one in (lower, upper)], axis=0)
    values["point_residual_db"] = amplitude_db(np.sqrt(power))
    values["overlap_difference_db"], values["gated_share"] = seam.difference_db, seam.share
    return Quality(**values)


def _blend(below: Complexes, above: Complexes, share: Floats) -> Complexes:
    """A row of zero share counts for nothing, whatever stands there."""
    weight = share[:, None, None]
    return np.asarray(
        np.where(weight < 1.0, (1.0 - weight) * below, 0.0) + np.where(weight > 0.0, weight * above, 0.0)
    )


def _padded(coefficients: Any, count: int) -> Any:
    missing = count - coefficients.shape[2]
    return np.pad(coefficients, ((0, 0), (0, 0), (0, missing))) if missing else coefficients
