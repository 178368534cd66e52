"""A far field averaged over frequency: squared pressures over windows of log frequency.

A level curve is drawn over log frequency, so that is what means are taken over: every frequency of the data stands
for its share of log frequency, from midway to its lower to midway to its upper neighbour, and a window takes of each
share what lies within. A sound with equal power per octave ("pink") has the level of the mean in the window.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import partial

import numpy as np
from scipy.sparse import csr_array

from fieldproc.conventions import Booleans, Complexes, Floats, Integers
from fieldproc.records import Facts, FarField, FarFieldErrors, Table, Verdict
from fieldproc.settings import TableSettings
from fieldproc.tables.bands import FACTS, with_bands
from fieldproc.tables.cta2034a import choices, curve_columns
from fieldproc.tables.polar import polars_of
from fieldproc.tables.tables import common_facts

# Octaves: logarithms of audio frequencies are exact to 1e-14.
_ROUNDING = 1e-9
SHARES = "each frequency stands for its share of log frequency, from midway to its neighbours"


def share_edges(octave: Floats) -> Floats:
    """Edges (line + 1,) of the shares that rising frequencies (line,), in octaves, stand for.

    The first and the last share reach as far out as they reach in; a single frequency has none.
    """
    if octave.size == 1:
        return np.repeat(octave, 2)
    middle = (octave[1:] + octave[:-1]) / 2.0
    return np.concatenate([[2.0 * octave[0] - middle[0]], middle, [2.0 * octave[-1] - middle[-1]]])


def overlaps(edges: Floats, lower: Floats, upper: Floats) -> Floats:
    """Octaves (window, line) that windows from ``lower`` to ``upper`` (window,) hold of the shares between edges."""
    inner = np.minimum(edges[1:], upper[:, None]) - np.maximum(edges[:-1], lower[:, None])
    # no more than rounding is no part
    return np.asarray(np.where(inner > _ROUNDING, inner, 0.0))


def averaged_curves(
    far_field: FarField,
    settings: TableSettings,
    facts: Facts,
    channel: int,
    *,
    name: str,
    weights: Floats,
    places: Mapping[str, Floats],
    told: Facts,
) -> Table:
    """Table ``name`` of the standard curves of one channel, averaged by ``weights`` (window, frequency).

    ``places`` are columns that tell the windows, the first of them the frequency; ``told`` are facts about the
    averages. Squared pressures in every direction are averaged first: so every curve is the mean square of that of
    ``cta2034a``, and directivity indices are ratios of such means.
    """
    means = averaged(far_field, weights, next(iter(places.values())))
    columns = with_bands(means, partial(curve_columns, settings=settings, channel=channel), channel)
    all_facts = {
        **common_facts(far_field, channel, polars_of(far_field, channel).missing, facts),
        **facts,
        **({} if far_field.errors is None else FACTS),
        **choices(settings.rear_wall, settings.early_reflections),
        **told,
        "average_of_indices": "directivity indices are ratios of averaged curves",
        "average_verdicts": "no better than the worst verdict of the frequencies that take part",
    }
    return Table.of_columns(name, {**places, **columns}, all_facts)


def averaged(far_field: FarField, weights: Floats, frequency_hz: Floats) -> FarField:
    """Rms pressures over windows in place of those at frequencies.

    ``weights`` (window, frequency): rows of sum 1, or zero where a window is to be left empty.

    ``frequency_hz`` (window,) names the windows. Phases are gone. To first order, an error e changes the mean square
    of p over a window by twice that of Re(p* e); the vectors of the result do just that. The verdict is the worst of
    the frequencies that a window takes anything of. A window of no weight is nan, and not to be used.
    """
    sparse = csr_array(weights)  # nan reaches the windows that take of it, and no others
    none: Booleans = np.all(weights == 0.0, axis=1)

    def mean(values: Floats) -> Floats:
        flat: Floats = sparse @ values.reshape(len(values), -1)
        flat[none] = np.nan
        return flat.reshape(-1, *values.shape[1:])

    rms_pa = np.sqrt(mean(np.abs(far_field.pressure_pa) ** 2))
    power_w = mean(far_field.sound_power_w)
    errors = far_field.errors
    if errors is not None:
        along = (far_field.pressure_pa.conj()[:, :, None] * errors.pressure_pa).real
        # silence has no derivative: any error makes it louder
        silent = np.sqrt(mean(np.abs(errors.pressure_pa) ** 2))
        size = rms_pa[:, :, None]
        pressure = np.divide(mean(along), size, out=silent, where=size != 0.0)
        changed_w = mean(far_field.sound_power_w[:, :, None] * errors.power)
        size_w = power_w[:, :, None]
        power = np.divide(changed_w, size_w, out=np.zeros_like(changed_w), where=size_w != 0.0)
        verdict = _worst(errors.verdict, weights, none)
        errors = FarFieldErrors(pressure.astype(np.complex128), power, verdict, errors.draws, errors.causes)
    pressure_pa: Complexes = rms_pa.astype(np.complex128)
    return replace(
        far_field,
        frequency_hz=frequency_hz,
        pressure_pa=pressure_pa,
        sound_power_w=power_w,
        phase_known=False,
        errors=errors,
        bands=None,
        verdict=None,
    )


def _worst(verdict: Integers, weights: Floats, none: Booleans) -> Integers:
    """Of every window (window, channel)."""
    worst = np.where(weights[:, :, None] > 0.0, verdict, int(Verdict.GOOD)).max(axis=1)
    worst[none] = Verdict.DO_NOT_USE
    return np.asarray(worst)
