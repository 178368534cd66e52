"""Scans that are whole files and wrong measurements: refused, or flagged with a number, never "good" without a word.

One sound scan (``pair.py``), one thing wrong with it at a time. Files that the rules refuse or ask about are found in
``tests/session``, too; here is also what takes a run to see.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from pair import GRID, write_pair

from fieldproc.errors import ExitCode, FieldprocError, SessionError
from fieldproc.expand import expand
from fieldproc.pipeline import mended_spectra
from fieldproc.records import (
    Air,
    Cabinet,
    Drive,
    ImpulseResponses,
    KnownSource,
    Microphone,
    Noise,
    ReferenceAxis,
    Room,
    Session,
    Sigma,
    TransferFunctions,
    Verdict,
)
from fieldproc.session import open_input, write_session
from fieldproc.settings import Settings, load_settings

Wrong = Callable[[Session], Session]
ONE, HALF = 3, slice(0, 60)


@dataclass(frozen=True)
class Told:
    """What a person learns of a scan: how often each verdict is given, points left out, and notices."""

    verdicts: tuple[int, ...]
    dropped: int
    notices: frozenset[str]


def values(session: Session) -> np.ndarray:
    assert isinstance(session.response, ImpulseResponses)
    return session.response.values


def responses(change: Callable[[np.ndarray], np.ndarray], **fields: float) -> Wrong:
    """With other impulse responses (channel, point, sample)."""
    return lambda session: replace(
        session, response=replace(session.response, values=change(values(session)), **fields)
    )


def records(which: int | slice, change: Callable[[np.ndarray], np.ndarray]) -> Wrong:
    """With other records at some points."""

    def changed(all_values: np.ndarray) -> np.ndarray:
        altered = all_values.copy()
        altered[:, which] = change(altered[:, which])
        return altered

    return responses(changed)


def positions(change: Callable[[np.ndarray], np.ndarray]) -> Wrong:
    """With other positions."""
    return lambda session: replace(session, positions_m=change(session.positions_m))


def place(which: int, change: Callable[[np.ndarray], np.ndarray | float]) -> Wrong:
    """With one other position."""

    def changed(positions_m: np.ndarray) -> np.ndarray:
        altered = positions_m.copy()
        altered[which] = change(altered[which])
        return altered

    return positions(changed)


def stated(**fields: object) -> Wrong:
    """With another statement beside the responses."""
    return lambda session: replace(session, **fields)  # type: ignore[arg-type]


def transfer(frequency_hz: list[float]) -> Wrong:
    """A transfer function in place of the impulse responses."""
    response = TransferFunctions(np.ones((len(frequency_hz), 1, 120), dtype=complex), np.array(frequency_hz))
    return stated(response=response)


def clipped(record: np.ndarray, at: float) -> np.ndarray:
    limit = at * np.abs(record).max()
    return np.clip(record, -limit, limit)


def noise(shape: tuple[int, ...], rms: float = 1.0) -> np.ndarray:
    return rms * np.random.default_rng(9).normal(size=shape)


def like(record: np.ndarray) -> np.ndarray:
    """Noise as loud as a record."""
    return noise(record.shape, float(np.abs(record).max()))


LOUD_NOISE = Noise(noise((1, 3, 512)), 8000.0)
SILENT = np.zeros((120, 64))

# Refused while the file is read: what the message names.
REFUSED: dict[str, tuple[Wrong, str]] = {
    "place is nan": (place(ONE, lambda _: np.nan), "/positions"),
    "place is inf": (place(ONE, lambda _: np.inf), "/positions"),
    "places in mm": (positions(lambda p: 1000.0 * p), "at most 100 m"),
    "frequency unsorted": (transfer([100.0, 80.0, 200.0]), "/frequency"),
    "frequency twice": (transfer([100.0, 100.0, 200.0]), "/frequency"),
    "frequency 0": (transfer([0.0, 100.0, 200.0]), "/frequency"),
    "frequency nan": (transfer([50.0, np.nan, 200.0]), "/frequency"),
    "rate 0": (responses(lambda v: v, sampling_rate_hz=0.0), "sampling_rate_hz"),
    "rate negative": (responses(lambda v: v, sampling_rate_hz=-48000.0), "sampling_rate_hz"),
    "start nan": (responses(lambda v: v, start_s=np.nan), "start_s"),
    "sound speed in mm/ms": (stated(air=Air(np.full(120, 0.343))), "/air/sound_speed_m_per_s"),
    "sound speed in cm/s": (stated(air=Air(np.full(120, 34320.0))), "/air/sound_speed_m_per_s"),
    "absolute temperature": (stated(air=Air(None, np.full(120, 293.15))), "/air/temperature_c"),
    "below absolute zero": (stated(air=Air(None, np.full(120, -300.0))), "/air/temperature_c"),
    "humidity 150 %": (stated(air=Air(None, None, 150.0)), "/air/relative_humidity_percent"),
    "pressure in bar": (stated(air=Air(None, None, 50.0, 1.013)), "/air/pressure_pa"),
    "sensitivity 0": (stated(unit="V/V", microphone=Microphone(0.0)), "/microphone/sensitivity_v_per_pa"),
    "sensitivity nan": (stated(unit="V/V", microphone=Microphone(np.nan)), "/microphone/sensitivity_v_per_pa"),
    "microphone deaf": (
        stated(microphone=Microphone(None, np.array([10.0, 1e4]), np.array([0j, 1]))),
        "/microphone/response",
    ),
    "microphone unsorted": (
        stated(microphone=Microphone(None, np.array([1e4, 10.0]), np.array([1 + 0j, 1]))),
        "/microphone/frequency",
    ),
    "voltage negative": (stated(drive=Drive(-2.83)), "/drive/voltage_v"),
    "voltage nan": (stated(drive=Drive(np.nan)), "/drive/voltage_v"),
    "impedance 0": (stated(rated_impedance_ohm=0.0), "/loudspeaker/rated_impedance_ohm"),
    "cabinet without depth": (
        stated(cabinet=Cabinet(np.array([0.0, 0.2, 0.2]), np.zeros(3))),
        "/loudspeaker/cabinet_size_m",
    ),
    "axis without direction": (stated(axis=ReferenceAxis(direction=np.zeros(3))), "/loudspeaker/axis_direction"),
    "axis beyond numbers": (
        stated(axis=ReferenceAxis(direction=np.array([1e300, 0.0, 0.0]))),
        "/loudspeaker/axis_direction",
    ),
    "axis nan": (stated(axis=ReferenceAxis(direction=np.array([np.nan, 0.0, 1.0]))), "/loudspeaker/axis_direction"),
    "reflection at once": (stated(room=Room(np.zeros(120))), "/room/first_reflection_s"),
    "wall behind": (stated(room=Room(None, np.full(6, -1.0))), "/room/reflector_distances_m"),
    "time nan": (stated(measured_at_s=np.full(120, np.nan)), "/measured_at_s"),
    "uncertainty negative": (stated(sigma=Sigma(position_m=-1e-3)), "/sigma/position_m"),
    "source of nothing": (stated(known_source=KnownSource(np.zeros(3), 0.0)), "/known_source/volume_velocity"),
    "no point valid": (stated(valid=np.zeros(120, dtype=np.bool_)), "/valid"),
}
# Refused by the numbers: what the message says.
REFUSED_LATER: dict[str, tuple[Wrong, str]] = {
    "hardly anything": (responses(lambda v: v[..., :12]), "length of the records is 12 samples, limit 16"),
    "all nan": (responses(lambda v: np.full_like(v, np.nan)), "usable response is 0 of 120"),
    "all zero": (responses(np.zeros_like), "usable response is 0 of 120"),
    "all at one place, the origin": (positions(np.zeros_like), "distance of a point from the expansion origin is 0"),
    "drive never recorded": (stated(drive=Drive(reference=SILENT, reference_sampling_rate_hz=8e3)), "0 of 120"),
    "drive is nan": (stated(drive=Drive(reference=SILENT + np.nan, reference_sampling_rate_hz=8e3)), "0 of 120"),
    "drive is noise": (
        stated(drive=Drive(reference=noise((120, 64)), reference_sampling_rate_hz=8e3)),
        "limit at least half",
    ),
}
# Some points are left out, and said to be: how many.
LEFT_OUT: dict[str, tuple[Wrong, int]] = {
    "one nan": (records(ONE, lambda r: np.full_like(r, np.nan)), 1),
    "one inf": (records(ONE, lambda r: np.full_like(r, np.inf)), 1),
    "one silent": (records(ONE, np.zeros_like), 1),
    "one clipped": (records(ONE, lambda r: clipped(r, 0.1)), 1),
    "half nan": (records(HALF, lambda r: np.full_like(r, np.nan)), 60),
    "few valid": (stated(valid=np.arange(120) < 5), 115),
}
# Nowhere "good".
DOUBTED: dict[str, Wrong] = {
    "all constant": responses(np.ones_like),
    "an offset": responses(lambda v: v + np.abs(v).max()),
    "one constant": records(ONE, np.ones_like),
    "all alike": responses(lambda v: np.repeat(v[:, :1], 120, axis=1)),
    "shuffled": responses(lambda v: v[:, np.random.default_rng(4).permutation(120)]),
    "one place late": responses(lambda v: np.roll(v, 1, axis=1)),
    "all clipped": responses(lambda v: clipped(v, 0.1)),
    "one of wrong polarity": records(ONE, np.negative),
    "one ten times as loud": records(ONE, lambda r: 10.0 * r),
    "one noise": records(ONE, like),
    "all noise": responses(like),
    "one late": records(ONE, lambda r: np.roll(r, 8, axis=-1)),
    "cut off": responses(lambda v: v[..., :24]),
    "backwards": responses(lambda v: v[..., ::-1]),
    "three bits": responses(lambda v: np.round(4 * v / np.abs(v).max())),
    "rate halved": responses(lambda v: v, sampling_rate_hz=4000.0),
    "all at one place": positions(lambda p: np.repeat(p[:1], 120, axis=0)),
    "on a line": positions(lambda _: np.outer(np.linspace(0.2, 0.6, 120), [1.0, 0.0, 0.0])),
    "in a plane": positions(lambda p: p * [1.0, 1.0, 0.0]),
    "in an octant": positions(np.abs),
    "one place beyond": place(ONE, lambda p: 1.3 * p),
    "one place opposite": place(ONE, np.negative),
    "one place far away": place(ONE, lambda _: np.array([50.0, 0.0, 0.0])),
    "places in cm": positions(lambda p: 100.0 * p),
    "places tenfold": positions(lambda p: 10.0 * p),
    "places off by 5 m": positions(lambda p: np.add(p, [5.0, 0.0, 0.0])),
    "places off by 2 cm": positions(lambda p: p + noise(p.shape, 0.02)),
    "cabinet in mm": stated(cabinet=Cabinet(np.full(3, 200.0), np.zeros(3))),
    "noise too loud": stated(noise=LOUD_NOISE),
    "source elsewhere": stated(known_source=KnownSource(np.array([5.0, 0.0, 0.0]), 1e-4)),
    "frequencies in rad/s": transfer([1e5, 1e6]),
}
# "good" perhaps, but with a notice that the sound scan does not bring, and a number in it.
NOTED: dict[str, tuple[Wrong, str]] = {
    "temperature jumps": (
        stated(air=Air(None, np.where(np.arange(120) < 60, 10.0, 35.0))),
        r"sound speed varied from 337\.\d+ to 351\.\d+",
    ),
    "cabinet larger than the scan": (
        stated(cabinet=Cabinet(np.ones(3), np.zeros(3))),
        "120 of 120 points lie inside the stated cabinet",
    ),
    "cabinet elsewhere": (
        stated(cabinet=Cabinet(np.full(3, 0.2), np.array([2.0, 0.0, 0.0]))),
        r"120 points lie inside the sphere of radius 2\.1",
    ),
    "walls at hand": (stated(room=Room(None, np.full(6, 0.01))), r"comes -0\.06 ms after the direct sound"),
    "axis origin in mm": (stated(axis=ReferenceAxis(origin_m=np.array([50.0, 80.0, 30.0]))), "axis origin lies 9"),
}
# A run of each kind in every test run; the others before a release.
QUICK = ("one nan", "one clipped", "one ten times as loud", "all constant", "places in cm", "walls at hand")


def soaked(cases: dict[str, object]) -> list[object]:
    return [name if name in QUICK else pytest.param(name, marks=pytest.mark.soak) for name in cases]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Session:
    path = tmp_path_factory.mktemp("sound") / "pair.h5"
    write_pair(path)
    session = open_input(path)
    assert isinstance(session, Session)
    return session


@pytest.fixture(scope="module")
def chosen(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    path = tmp_path_factory.mktemp("settings") / "grid.toml"
    path.write_text(GRID + "[uncertainty]\nenabled = false\n", encoding="utf-8")
    return load_settings(path)


def told(session: Session, chosen: Settings) -> Told:
    spectra = mended_spectra(session, chosen)
    expansion = expand(spectra, chosen, lambda _done, _total: None)
    counts = np.bincount(expansion.quality.verdict.reshape(-1), minlength=len(Verdict))
    return Told(tuple(counts), len(spectra.dropped), frozenset((*spectra.notices, *expansion.notices)))


@pytest.fixture(scope="module")
def told_of_sound(sound: Session, chosen: Settings) -> Told:
    return told(sound, chosen)


def reread(session: Session, folder: Path) -> Session:
    path = folder / "wrong.h5"
    write_session(session, path)
    back = open_input(path)
    assert isinstance(back, Session)
    return back


def test_there_are_enough_of_them() -> None:
    assert sum(map(len, (REFUSED, REFUSED_LATER, LEFT_OUT, DOUBTED, NOTED))) >= 60


def test_the_sound_scan_is_good(told_of_sound: Told) -> None:
    """What the others are measured by."""
    assert told_of_sound.verdicts == (13, 0, 0)
    assert told_of_sound.dropped == 0


@pytest.mark.parametrize("name", REFUSED)
def test_refused_by_the_rules(sound: Session, tmp_path: Path, name: str) -> None:
    wrong, where = REFUSED[name]

    with pytest.raises(SessionError, match=where) as caught:
        reread(wrong(sound), tmp_path)
    assert caught.value.exit_code == ExitCode.REFUSED
    assert len(caught.value.problems) == 1


@pytest.mark.parametrize("name", REFUSED_LATER)
def test_refused_by_the_numbers(sound: Session, chosen: Settings, tmp_path: Path, name: str) -> None:
    wrong, message = REFUSED_LATER[name]

    with pytest.raises(FieldprocError, match=message) as caught:
        told(reread(wrong(sound), tmp_path), chosen)
    assert caught.value.exit_code == ExitCode.REFUSED


@pytest.mark.parametrize("name", soaked(LEFT_OUT))
def test_left_out(sound: Session, chosen: Settings, tmp_path: Path, name: str) -> None:
    wrong, count = LEFT_OUT[name]

    assert told(reread(wrong(sound), tmp_path), chosen).dropped == count


@pytest.mark.parametrize("name", soaked(DOUBTED))
def test_nowhere_good(sound: Session, chosen: Settings, tmp_path: Path, name: str) -> None:
    assert told(reread(DOUBTED[name](sound), tmp_path), chosen).verdicts[Verdict.GOOD] == 0


@pytest.mark.parametrize("name", soaked(NOTED))
def test_noted(sound: Session, chosen: Settings, told_of_sound: Told, tmp_path: Path, name: str) -> None:
    wrong, message = NOTED[name]
    session = reread(wrong(sound), tmp_path)

    news = told(session, chosen).notices - told_of_sound.notices

    assert any(re.search(message, notice) for notice in news)
