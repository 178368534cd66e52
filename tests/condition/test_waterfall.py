"""The picture of the responses: levels by a slow twin, the clock of the gate, points all over the scan."""

from __future__ import annotations

import numpy as np

from fieldproc.condition import condition
from fieldproc.condition.gate import GateTimes
from fieldproc.condition.waterfall import spread_evenly, waterfall
from fieldproc.records import ImpulseResponses, Session, TransferFunctions
from fieldproc.settings import SpectraSettings

RATE_HZ, START_S, POINTS = 48_000.0, -0.004, 60
RNG = np.random.default_rng(11)
POSITIONS_M = RNG.normal(size=(POINTS, 3))
# Arrivals on the clock of the records, and what their gates end by.
DIRECT_S = RNG.uniform(0.001, 0.003, POINTS)
END_S = DIRECT_S + RNG.uniform(0.002, 0.004, POINTS)


def session_of(response: ImpulseResponses | TransferFunctions) -> Session:
    return Session(
        name="scan",
        title="",
        device="",
        attributes={},
        positions_m=POSITIONS_M,
        response=response,
        unit="Pa/V",
        channel_names=("low", "high"),
        valid=np.ones(POINTS, dtype=np.bool_),
        surface=np.arange(POINTS) % 2,
    )


def noisy_session(samples: int = 2400) -> Session:
    values = RNG.normal(size=(2, POINTS, samples))
    return session_of(ImpulseResponses(values, RATE_HZ, START_S))


def test_levels_are_the_largest_samples_of_their_bins() -> None:
    session, kept = noisy_session(), np.arange(1, POINTS)
    picture = waterfall(session, kept, GateTimes(DIRECT_S[kept], END_S[kept], ""))
    assert picture is not None
    values = np.asarray(session.response.values)
    zero_s = DIRECT_S[kept].min()
    time_s = START_S + np.arange(values.shape[2]) / RATE_HZ - zero_s
    steps_s = np.diff(picture.time_s)
    # the least whole number of samples that makes 0.1 ms
    np.testing.assert_allclose(steps_s, 5 / RATE_HZ, rtol=1e-9)
    assert -0.0021 < picture.time_s[0] < -0.0018
    assert 0.0298 < picture.time_s[-1] < 0.0303
    for channel in range(2):
        largest = max(np.abs(values[channel, point]).max() for point in picture.file_point)
        for at, point in list(enumerate(picture.file_point))[::9]:
            for middle_s, level_db in list(zip(picture.time_s, picture.level_db[channel, at], strict=True))[::7]:
                # half a bin, and less than half a sample
                inside = np.abs(time_s - middle_s) < 2.4 / RATE_HZ
                assert inside.sum() == 5
                expected_db = 20 * np.log10(np.abs(values[channel, point, inside]).max() / largest)
                np.testing.assert_allclose(level_db, expected_db, rtol=1e-12)


def test_gates_keep_their_clock_and_their_points() -> None:
    kept = np.arange(1, POINTS)
    picture = waterfall(noisy_session(), kept, GateTimes(DIRECT_S[kept], END_S[kept], ""))
    assert picture is not None
    assert len(picture.file_point) == 48
    assert 0 not in picture.file_point
    zero_s = DIRECT_S[kept].min()
    np.testing.assert_allclose(picture.direct_s, DIRECT_S[picture.file_point] - zero_s, rtol=0, atol=1e-15)
    np.testing.assert_allclose(picture.gate_end_s, END_S[picture.file_point] - zero_s, rtol=0, atol=1e-15)
    np.testing.assert_array_equal(picture.positions_m, POSITIONS_M[picture.file_point])
    np.testing.assert_array_equal(picture.surface, picture.file_point % 2)


def test_without_a_gate_time_counts_from_the_earliest_peak() -> None:
    values = np.zeros((2, POINTS, 2400))
    peaks = 300 + np.arange(POINTS)
    values[0, np.arange(POINTS), peaks] = 1.0
    picture = waterfall(session_of(ImpulseResponses(values, RATE_HZ, START_S)), np.arange(POINTS), "not gated")
    assert picture is not None
    assert np.isnan(picture.gate_end_s).all()
    assert np.isnan(picture.direct_s).all()
    earliest = int(np.argmin(picture.file_point))
    loudest = int(np.argmax(picture.level_db[0, earliest]))
    delay_s = (peaks[picture.file_point[earliest]] - peaks[picture.file_point].min()) / RATE_HZ
    assert abs(picture.time_s[loudest] - delay_s) <= 2.5 / RATE_HZ
    # a channel that is silent is no reason to stumble
    assert np.all(picture.level_db[1] == -np.inf)


def test_a_record_may_be_shorter_than_the_picture_or_than_a_bin() -> None:
    for samples in (3, 200):
        picture = waterfall(noisy_session(samples), np.arange(POINTS), None)
        assert picture is not None
        assert 1 <= len(picture.time_s) <= samples
        assert picture.level_db.max() == 0.0


def test_transfer_functions_have_no_picture() -> None:
    response = TransferFunctions(np.ones((4, 2, POINTS), dtype=np.complex128), np.array([100.0, 200.0, 400.0, 800.0]))
    assert waterfall(session_of(response), np.arange(POINTS), None) is None


def test_conditioning_takes_it_along() -> None:
    spectra = condition(noisy_session(1200), SpectraSettings(lowest_hz=1000.0, per_octave=1, count=2))
    assert spectra.waterfall is not None
    assert spectra.waterfall.level_db.shape[:2] == (2, 48)


def test_points_are_spread_over_the_scan() -> None:
    """Points left are no farther from those chosen than these are from one another: nothing is left uncovered."""
    chosen = spread_evenly(POSITIONS_M, 20)
    assert len(np.unique(chosen)) == 20
    apart = np.linalg.norm(POSITIONS_M[chosen][:, None] - POSITIONS_M[chosen], axis=2)
    away = np.linalg.norm(POSITIONS_M[:, None] - POSITIONS_M[chosen], axis=2).min(axis=1)
    assert away.max() <= apart[~np.eye(20, dtype=np.bool_)].min()
    # repeats of a place are one place
    assert len(spread_evenly(np.repeat(POSITIONS_M[:5], 3, axis=0), 20)) == 5
