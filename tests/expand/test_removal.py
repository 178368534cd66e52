"""Which body is taken out of the outgoing set, when it is left in, and what is told of either.

The room's sound meets a rigid sphere, whose scattering is known in closed form; nothing else is simulated.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from expand.crafted import make_expansion
from expand.plain_waves import complex_normal
from scipy.special import spherical_jn, spherical_yn

from fieldproc.conventions import wavenumber
from fieldproc.errors import NumericalError
from fieldproc.expand.removal import remove_scattering
from fieldproc.records import Cabinet, Expansion, Verdict
from fieldproc.settings import ScatteringSettings

FREQUENCY_HZ = 150.0 * 2.0 ** (np.arange(10) / 3.0)
K = wavenumber(FREQUENCY_HZ, 343.2)
RADIUS_M = 0.1
# a box about that sphere, and one that no sphere goes for
CUBE = Cabinet(size_m=np.full(3, 2 * RADIUS_M), center_m=np.zeros(3))
TALL = Cabinet(size_m=np.array([0.16, 0.14, 0.36]), center_m=np.zeros(3))
AUTO = ScatteringSettings()
CUBE_BALL = "rigid sphere within the cabinet's size"
BALL = "rigid sphere of the cabinet's volume"
BOX = "rigid box of the cabinet's size"


def sphere_scattering(k: float, radius_m: float, regular: np.ndarray) -> np.ndarray:
    """-j_n'(ka) / h_n'(ka) times b, written out (Morse & Ingard, Theoretical Acoustics, 1968, 8.2; from memory)."""
    n = np.repeat(np.arange(5), 2 * np.arange(5) + 1)
    inward = spherical_jn(n, k * radius_m, derivative=True)
    outward = inward - 1j * spherical_yn(n, k * radius_m, derivative=True)
    return -inward / outward * regular


def scanned_pair(radius_m: float = RADIUS_M, miss: float = 1e-3) -> tuple[np.ndarray, Expansion, Expansion]:
    """The loudspeaker's own sound, a separation that has T b in it, and a gated answer wrong by ``miss``."""
    rng = np.random.default_rng(7)
    own, regular = complex_normal(rng, 2, len(K), 2, 25)
    scattered = np.array([sphere_scattering(k, radius_m, b) for k, b in zip(K, regular, strict=True)])
    separated = make_expansion(FREQUENCY_HZ, own + scattered, regular)
    gated = make_expansion(FREQUENCY_HZ, own + miss * complex_normal(rng, *own.shape))
    return own, separated, gated


def left_over(expansion: Expansion, own: np.ndarray) -> np.ndarray:
    """What differs from the loudspeaker's own sound, per frequency, re the latter."""
    return np.linalg.norm(expansion.outgoing - own, axis=(1, 2)) / np.linalg.norm(own, axis=(1, 2))


def discarded(one: Expansion, rows: np.ndarray | slice) -> Expansion:
    verdict = one.quality.verdict.copy()
    verdict[rows, 0] = Verdict.DO_NOT_USE
    return replace(one, quality=replace(one.quality, verdict=verdict))


def test_auto_finds_the_sphere_in_the_cube() -> None:
    own, separated, gated = scanned_pair()
    found, notices = remove_scattering(separated, gated, CUBE, AUTO)
    # there is something to take out, and the closed form takes it out but for rounding
    assert np.all(left_over(separated, own)[-4:] > 0.05)
    assert np.all(left_over(found, own) < 1e-12)
    assert len(notices) == 1
    assert f"{CUBE_BALL}; taken out: " in notices[0]
    np.testing.assert_array_equal(found.regular, separated.regular)
    np.testing.assert_array_equal(separated.outgoing, scanned_pair()[1].outgoing)


def test_how_much_is_scattered_is_told() -> None:
    own, separated, gated = scanned_pair()
    found, notices = remove_scattering(separated, gated, CUBE, AUTO)
    size = np.linalg.norm(separated.outgoing - own, axis=2) / np.linalg.norm(own, axis=2)
    np.testing.assert_allclose(found.quality.scattering_db, 20 * np.log10(size), rtol=1e-9)
    at = np.unravel_index(np.argmax(size), size.shape)
    assert f"up to {20 * np.log10(size[at]):.1f} dB re its own ({FREQUENCY_HZ[at[0]]:.0f} Hz)" in notices[0]


def test_both_differences_are_told_the_right_way_round() -> None:
    """Rows a third of an octave apart are judged one by one: the best of them, channels in the mean."""
    own, separated, gated = scanned_pair()
    _, (notice,) = remove_scattering(separated, gated, CUBE, AUTO)
    size = np.linalg.norm(gated.outgoing, axis=2)
    left_in, taken_out = (
        np.sqrt(np.mean((np.linalg.norm(one - gated.outgoing, axis=2) / size) ** 2, axis=1)).min()
        for one in (separated.outgoing, own)
    )
    assert notice.endswith(
        f": separated and gated spectra differ by {20 * np.log10(left_in):.1f} dB with the scattering left in, "
        f"by {20 * np.log10(taken_out):.1f} dB with it taken out"
    )
    # the gated answer is wrong by that much, and the scattering is larger
    assert 20 * np.log10(taken_out) == pytest.approx(-60.0, abs=1.5)
    assert left_in > 2 * taken_out


def test_auto_prefers_a_box_to_a_sphere_where_it_is_one() -> None:
    """The body is what "box" itself takes out: the choice must find it among the spheres."""
    rng = np.random.default_rng(8)
    _, separated, _ = scanned_pair()
    own, _ = remove_scattering(separated, None, TALL, ScatteringSettings(body="box"))
    gated = make_expansion(FREQUENCY_HZ, own.outgoing + 1e-4 * complex_normal(rng, *own.outgoing.shape))
    found, notices = remove_scattering(separated, gated, TALL, AUTO)
    assert f"{BOX}; taken out" in notices[0]
    np.testing.assert_array_equal(found.outgoing, own.outgoing)


def test_left_in_where_nothing_brings_the_two_nearer() -> None:
    """The separation holds no scattering at all: taking it out would put some in."""
    own, separated, gated = scanned_pair()
    clean = replace(separated, outgoing=own)
    found, notices = remove_scattering(clean, gated, CUBE, AUTO)
    np.testing.assert_array_equal(found.outgoing, own)
    # that of the volume is the one to report where none is taken out
    assert f"{BALL}; left in: " in notices[0]
    assert np.all(np.isfinite(found.quality.scattering_db))


def test_left_in_where_the_gain_is_no_proof() -> None:
    """A gated answer wrong by far more than the cabinet scatters decides nothing."""
    _, separated, gated = scanned_pair(miss=1.0)
    found, notices = remove_scattering(separated, gated, CUBE, AUTO)
    np.testing.assert_array_equal(found.outgoing, separated.outgoing)
    assert "; left in: " in notices[0]


@pytest.mark.parametrize("why", ["no gated", "gated discarded", "nothing common"])
def test_left_in_where_nothing_tells(why: str) -> None:
    _, separated, answer = scanned_pair()
    gated: Expansion | None = answer
    if why == "no gated":
        gated = None
    elif why == "gated discarded":
        gated = discarded(answer, slice(None))
    else:
        separated, gated = discarded(separated, slice(5, None)), discarded(answer, slice(5))
    found, notices = remove_scattering(separated, gated, CUBE, AUTO)
    np.testing.assert_array_equal(found.outgoing, separated.outgoing)
    assert notices[0].endswith(f"{BALL}; left in, since no gated spectra tell whether taking it out is right")


@pytest.mark.parametrize(
    ("settings", "body", "taken"),
    [
        ({"body": "none"}, BALL, False),
        ({"body": "none", "sphere_radius_m": 0.1}, "rigid sphere of 0.100 m", False),
        ({"body": "sphere"}, BALL, True),
        ({"body": "sphere", "sphere_radius_m": 0.1}, "rigid sphere of 0.100 m", True),
        ({"body": "box"}, BOX, True),
        ({"body": "box", "sphere_radius_m": 0.1}, BOX, True),
    ],
)
def test_what_the_settings_insist_on(settings: dict[str, str | float], body: str, taken: bool) -> None:
    own, separated, gated = scanned_pair()
    clean = replace(separated, outgoing=own)
    found, notices = remove_scattering(clean, gated, TALL, ScatteringSettings.model_validate(settings))
    assert notices[0].endswith(f"{body}; taken out" if taken else f"{body}; left in")
    change = np.abs(found.outgoing - own).max()
    assert change > 0.01 if taken else change == 0
    assert np.all(np.isfinite(found.quality.scattering_db))


@pytest.mark.parametrize("body", ["auto", "sphere"])
def test_stated_radius_without_a_cabinet(body: str) -> None:
    """The body stands at the expansion origin then."""
    own, separated, gated = scanned_pair()
    settings = ScatteringSettings.model_validate({"body": body, "sphere_radius_m": RADIUS_M})
    found, _ = remove_scattering(separated, gated, None, settings)
    assert np.all(left_over(found, own) < 1e-12)


@pytest.mark.parametrize("gated", [True, False])
def test_no_cabinet_nothing_to_say(gated: bool) -> None:
    _, separated, answer = scanned_pair()
    found, notices = remove_scattering(separated, answer if gated else None, None, AUTO)
    assert found is separated
    assert notices == []


@pytest.mark.parametrize(
    ("settings", "advice"),
    [
        ({"body": "sphere"}, "cabinet_center_m, or set scattering.sphere_radius_m"),
        ({"body": "box"}, "cabinet_center_m"),
        # a radius makes no box
        ({"body": "box", "sphere_radius_m": 0.1}, "cabinet_center_m"),
    ],
)
def test_insisting_on_a_body_that_nothing_describes(settings: dict[str, str | float], advice: str) -> None:
    _, separated, gated = scanned_pair()
    with pytest.raises(NumericalError, match=f"no cabinet stated.* a {settings['body']}; .*{advice}$"):
        remove_scattering(separated, gated, None, ScatteringSettings.model_validate(settings))


def test_rows_without_room_waves_and_discarded_ones_are_left_alone() -> None:
    own, separated, gated = scanned_pair()
    order, regular = separated.regular_order.copy(), separated.regular.copy()
    order[7:], regular[7:] = -1, 0
    separated = discarded(replace(separated, regular_order=order, regular=regular), np.array([1]))
    found, notices = remove_scattering(separated, gated, CUBE, AUTO)
    kept = [1, 7, 8, 9]
    np.testing.assert_array_equal(found.outgoing[kept], separated.outgoing[kept])
    assert np.all(np.isnan(found.quality.scattering_db[kept]))
    others = np.setdiff1d(np.arange(10), kept)
    assert np.all(left_over(found, own)[others] < 1e-12)
    # a sphere has no frequency above which it says nothing
    assert "above" not in notices[0]


def test_a_frequency_that_was_not_solved_says_nothing_of_the_body() -> None:
    """Its coefficients are zeros: nothing to compare, and no limit of the sphere."""
    _, separated, gated = scanned_pair()
    outgoing, regular = separated.outgoing.copy(), separated.regular.copy()
    outgoing[4], regular[4] = 0, 0
    separated = discarded(replace(separated, outgoing=outgoing, regular=regular), np.array([4]))
    found, notices = remove_scattering(separated, gated, CUBE, AUTO)
    assert np.all(found.outgoing[4] == 0)
    assert f"{CUBE_BALL}; taken out" in notices[0]
    assert "above" not in notices[0]


def test_above_the_reach_of_the_box_the_scattering_stays() -> None:
    _, separated, gated = scanned_pair()
    large = Cabinet(size_m=np.array([1.2, 1.0, 1.6]), center_m=np.zeros(3))
    box = ScatteringSettings(body="box")
    found, notices = remove_scattering(separated, gated, large, box)
    same = np.all(found.outgoing == separated.outgoing, axis=(1, 2))
    top_hz = float(notices[0].split("; left in above ")[1].removesuffix(" Hz"))
    np.testing.assert_array_equal(same, top_hz < FREQUENCY_HZ)
    assert 0 < same.sum() < len(same)
    np.testing.assert_array_equal(np.isnan(found.quality.scattering_db[:, 0]), same)
    high = discarded(separated, ~same)
    found, notices = remove_scattering(high, gated, large, box)
    np.testing.assert_array_equal(found.outgoing, separated.outgoing)
    assert notices == [f"the room's sound that the cabinet scatters is left in: frequencies too high for the {BOX}"]


def test_nothing_separated_nothing_to_take_out() -> None:
    _, separated, gated = scanned_pair()
    none = make_expansion(FREQUENCY_HZ, separated.outgoing)
    for settings in (AUTO, ScatteringSettings(body="box")):
        found, notices = remove_scattering(none, gated, CUBE, settings)
        assert found is none
        assert notices == []
