"""Scans in pieces: several sessions of one loudspeaker become one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from fieldproc.conventions import Integers
from fieldproc.errors import Problem, SessionError, UsageError
from fieldproc.pack.agreement import find_clashes
from fieldproc.pack.join import joined
from fieldproc.pack.merge_settings import MergeSettings, MotionModel
from fieldproc.pack.surfaces import number_surfaces
from fieldproc.pack.ties import Tie, band_spectra, shared_places, tie, usable_points
from fieldproc.pack.timebase import delayed, on_one_time_axis
from fieldproc.records import ImpulseResponses, Session, TransferFunctions

# Of path, per second of delay: only to say in words what a delay amounts to.
_SOUND_SPEED_M_PER_S = 343.0


def merge_sessions(pieces: Sequence[Session], settings: MergeSettings) -> Session:
    """One session from several of one loudspeaker, points in the order of the pieces.

    What describes loudspeaker, drive and microphone must agree, in the loudspeaker's coordinates; a motion of the
    settings turns and shifts a piece's positions alone. Where pieces share places, their relative gain and delay are
    checked, and corrected if the settings say so. Raises ``UsageError`` for motions of unknown pieces,
    ``SessionError`` with everything in which the pieces disagree.
    """
    if len(pieces) < 2:
        raise UsageError("merge takes two scans or more")
    together = " + ".join(piece.name for piece in pieces)
    problems = find_clashes(pieces)
    if problems:
        raise SessionError(together, problems)
    notices = [f"{piece.name}: {told}" for piece in pieces for told in piece.notices]
    moved = _moved(pieces, settings.motions)
    if settings.motions:
        notices.append(
            "pieces were turned or shifted: their room stood otherwise around the loudspeaker, so one set of room "
            "waves does not fit them all; merge such scans only where the room is gated off or negligible"
        )
    aligned, told = _on_one_time_axis(moved)
    tied, problems, ties = _tied(aligned, settings)
    if problems:
        raise SessionError(together, problems)
    merged, lost = joined(tied, _surfaces(tied, settings))
    return replace(merged, name=together, notices=(*notices, *told, *ties, *lost))


def _moved(pieces: Sequence[Session], motions: Sequence[MotionModel]) -> list[Session]:
    by_name = {motion.piece: motion for motion in motions}
    names = [piece.name for piece in pieces]
    unknown = sorted(set(by_name) - set(names))
    if unknown or len(by_name) != len(motions) or any(names.count(name) > 1 for name in by_name):
        found = f"no piece {', '.join(unknown)}" if unknown else "two motions of one piece, or two pieces of one name"
        raise UsageError(f"motions: {found}; pieces are {', '.join(names)}")
    return [_move(piece, by_name[piece.name]) if piece.name in by_name else piece for piece in pieces]


def _move(piece: Session, motion: MotionModel) -> Session:
    axis = np.array(motion.axis)
    turn = Rotation.from_rotvec(np.radians(motion.angle_deg) * axis / np.linalg.norm(axis))
    return replace(piece, positions_m=turn.apply(piece.positions_m.copy()) + np.array(motion.translation_m))


def _on_one_time_axis(pieces: Sequence[Session]) -> tuple[list[Session], list[str]]:
    responses = [piece.response for piece in pieces if isinstance(piece.response, ImpulseResponses)]
    if not responses:
        return list(pieces), []
    aligned, shifted = on_one_time_axis(responses)
    notices = [
        f"{pieces[index].name}: starts between two samples of the others; its responses were shifted by phase"
        for index in shifted
    ]
    lengths = [one.values.shape[2] for one in responses]
    if min(lengths) < max(lengths):
        notices.append("responses of unequal length; the shorter ones end in zeros")
    return [replace(piece, response=one) for piece, one in zip(pieces, aligned, strict=True)], notices


def _tied(pieces: Sequence[Session], settings: MergeSettings) -> tuple[list[Session], list[Problem], list[str]]:
    """Pieces with gain and delay of the first, if asked for; what is refused; what is said."""
    done, problems, notices = [pieces[0]], [], []
    for piece in pieces[1:]:
        compared = [(other.name, found) for other in done if (found := _tie_of(other, piece, settings)) is not None]
        if not compared:
            notices.append(
                f"{piece.name}: shares no place with the pieces before it, so its gain cannot be checked from the "
                "points; a run compares surfaces by their waves"
            )
            done.append(piece)
            continue
        # the piece it shares most places with tells most
        other, found = max(compared, key=lambda pair: pair[1].places)
        notices.append(f"{piece.name}: {_words(found)} {other}")
        wrong = _too_far(found, settings)
        if wrong and (found.inverted or not settings.correct_gain):
            problems.append(Problem(f"{piece.name} against {other}", _words(found) + " it", *wrong))
        if settings.correct_gain and not found.inverted:
            notices.append(f"{piece.name}: gain and delay were corrected to those of {other}")
            piece = replace(piece, response=_corrected(piece.response, found))
        done.append(piece)
    return done, problems, notices


def _tie_of(first: Session, second: Session, settings: MergeSettings) -> Tie | None:
    kept, own = usable_points(first), usable_points(second)
    one, other = shared_places(first.positions_m[kept], second.positions_m[own], settings.shared_within_m)
    if not len(one):
        return None
    frequency_hz, left = band_spectra(first, kept[one], settings.lowest_hz, settings.highest_hz)
    _, right = band_spectra(second, own[other], settings.lowest_hz, settings.highest_hz)
    return tie(left, right, frequency_hz) if len(frequency_hz) else None


def _words(found: Tie) -> str:
    # rounded first: -0.00 reads as if it meant something
    gain, delay = f"{round(found.gain_db, 3) + 0.0:+.3f}", f"{round(found.delay_s * 1e6, 2) + 0.0:+.2f}"
    if found.places > 1:
        gain += f" +- {found.gain_error_db:.3f}"
        delay += f" +- {found.delay_error_s * 1e6:.2f}"
    path_mm = round(found.delay_s * _SOUND_SPEED_M_PER_S * 1e3, 1) + 0.0
    return (
        f"{'of opposite polarity, ' if found.inverted else ''}{gain} dB and {delay} us "
        f"({path_mm:+.1f} mm of path) at {found.places} shared places, "
        f"{found.scatter_db:.0f} dB left unexplained, against"
    )


def _too_far(found: Tie, settings: MergeSettings) -> tuple[str, str] | None:
    """What is required and how to mend it, where a difference is beyond its limit and beyond doubt."""
    gain = abs(found.gain_db) - 2.0 * np.nan_to_num(found.gain_error_db)
    delay = abs(found.delay_s) - 2.0 * np.nan_to_num(found.delay_error_s)
    if found.inverted:
        return "one polarity", "invert the responses of one piece"
    if gain > settings.largest_gain_db or delay > settings.largest_delay_s:
        limits = f"at most {settings.largest_gain_db:g} dB and {settings.largest_delay_s * 1e6:g} us"
        return limits, "merge with --correct-gain, or find out what changed between the pieces"
    return None


def _corrected(response: ImpulseResponses | TransferFunctions, found: Tie) -> ImpulseResponses | TransferFunctions:
    gain = 10.0 ** (-found.gain_db / 20.0)
    if isinstance(response, ImpulseResponses):
        earlier = delayed(response.values, -found.delay_s * response.sampling_rate_hz)
        return replace(response, values=earlier * earlier.dtype.type(gain))
    turn = gain * np.exp(2j * np.pi * response.frequency_hz * found.delay_s)
    return replace(response, values=response.values * turn[:, None, None])


def _surfaces(pieces: Sequence[Session], settings: MergeSettings) -> list[Integers]:
    cabinet = next((piece.cabinet for piece in pieces if piece.cabinet is not None), None)
    center_m = pieces[0].axis.origin_m if cabinet is None else cabinet.center_m
    positions = [piece.positions_m for piece in pieces]
    return number_surfaces(positions, [piece.surface for piece in pieces], center_m, settings.surfaces)
