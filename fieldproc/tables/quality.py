"""The quality table: per frequency, how well the expansion is determined and whether to believe it."""

from __future__ import annotations

from collections.abc import Mapping

from fieldproc.conventions import Floats, Integers
from fieldproc.records import Expansion, Measures, Table, verdict_legend

_NOTES = {
    "hold_out_note": "error of predicting the worst surface from the others, at a few frequencies; nan elsewhere",
    "forbidden_band_note": "1 = outgoing and regular waves look alike at the points",
    "clear_degree_note": "highest outgoing degree whose energy stands above its noise; -1 = none",
    "leakage_note": "share of the ripples of the outgoing waves that the room's explain, per octave, and its level",
    "power_closure_note": "power through a sphere around it re what outgoing waves alone would carry; not below 0",
}


def _measures(measures: Measures | None, channel: int) -> dict[str, Floats | Integers]:
    if measures is None:
        return {}
    by_surface = {
        f"residual_surface_{number}_db": measures.surface_residual_db[:, channel, at]
        for at, number in enumerate(measures.surface.tolist())
    }
    return {
        **by_surface,
        "hold_out_db": measures.hold_out_db[:, channel],
        "forbidden_band": measures.forbidden,
        "last_degrees_db": measures.last_degrees_db[:, channel],
        "clear_degree": measures.clear_degree[:, channel],
        "degree_change_db": measures.degree_change_db[:, channel],
        "leakage": measures.leakage[:, channel],
        "leakage_db": measures.leakage_db[:, channel],
        "power_closure": measures.power_closure[:, channel],
    }


def quality_table(
    expansion: Expansion,
    channel: int,
    *,
    facts: Mapping[str, str | float | int],
) -> Table:
    """Table ``quality`` of one channel. ``facts`` as for ``tabulate``."""
    quality = expansion.quality
    columns = {
        "frequency_hz": expansion.frequency_hz,
        "outgoing_order": expansion.outgoing_order,
        "regular_order": expansion.regular_order,
        "residual_db": quality.residual_db[:, channel],
        "leave_one_out_db": quality.leave_one_out_db[:, channel],
        "condition": quality.condition,
        "noise_gain_db": quality.noise_gain_db,
        "room_to_direct_db": quality.room_to_direct_db[:, channel],
        "verdict_code": quality.verdict[:, channel],
        "truncation_db": quality.truncation_db,
        "regularisation": quality.regularisation[:, channel],
        "random_error_db": quality.random_error_db[:, channel],
        "level_uncertainty_db": quality.level_uncertainty_db[:, channel],
        **{f"acoustic_center_{name}_m": expansion.acoustic_center_m[:, at] for at, name in enumerate("xyz")},
        "scattering_db": quality.scattering_db[:, channel],
        "overlap_difference_db": quality.overlap_difference_db[:, channel],
        "gated_share": quality.gated_share,
        **_measures(expansion.measures, channel),
    }
    told = {
        "content": "how well the expansion in spherical waves is determined, per frequency",
        **facts,
        "channel_index": channel,
        "verdict_codes": verdict_legend(),
        "level_uncertainty_note": "standard uncertainty, random errors and all causes, rms over the sphere",
        "acoustic_center_note": "scan axes; where the far field needs the lowest degrees, over an octave",
        "scattering_note": "room sound that a rigid cabinet scatters, re the loudspeaker's own; nan = not known",
        "overlap_note": "rms far field of separated minus gated re gated, where both answer",
        "gated_share_note": "1 = from responses gated before the first reflection, 0 = from whole ones",
        "regular_order_note": "-1 = nothing arriving from the room was fitted",
        **(_NOTES if expansion.measures is not None else {}),
    }
    return Table.of_columns("quality", columns, told)
