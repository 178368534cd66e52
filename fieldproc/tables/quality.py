"""The quality table: per frequency, how well the expansion is determined and whether to believe it."""

from __future__ import annotations

from collections.abc import Mapping

from fieldproc.records import Expansion, Table, verdict_legend


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
    }
    return Table.of_columns("quality", columns, told)
