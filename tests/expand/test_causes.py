"""What may still be wrong with the apparatus: what is stated or assumed, and what the scan itself says of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from expand.apparatus import heard, scan, session

from fieldproc.expand import mend
from fieldproc.expand.causes import KNOTS, prior_deviation, remaining_causes
from fieldproc.expand.rings import recognise_rings
from fieldproc.expand.surfaces import outward_normals
from fieldproc.records import Causes, Sigma
from fieldproc.settings import Settings, UncertaintySettings

ASSUMED = UncertaintySettings()
GAIN, OFFSET, DELAY = "gain of surface 1 (dB)", "offset of surface 1 (mm)", "delay of surface 1 (us)"
SPEED = "sound speed (%)"


def sizes(causes: Causes) -> dict[str, float]:
    """Root mean square of every parameter."""
    return dict(zip(causes.names, np.sqrt(np.sum(causes.deviation**2, axis=1)), strict=True))


def test_without_evidence_the_prior_remains() -> None:
    spectra = replace(session("rings"), sigma=Sigma(surface_gain_db=0.2, sound_speed_m_per_s=1.0))
    found = sizes(remaining_causes(spectra, None, Settings()))
    assert found[GAIN] == pytest.approx(0.2)
    assert found[SPEED] == pytest.approx(100.0 / 343.2)
    # not stated
    assert found[OFFSET] == pytest.approx(1e3 * ASSUMED.surface_radius_m)
    assert found[DELAY] == pytest.approx(1e6 * ASSUMED.latency_s)


def test_slow_changes_come_to_what_is_assumed_at_the_end() -> None:
    deviation = prior_deviation(session("rings"), np.array([1]), np.linspace(0.0, 1.0, KNOTS), ASSUMED)
    drift_db = np.sqrt(np.sum(deviation[4 : 3 + KNOTS] ** 2, axis=1))
    np.testing.assert_allclose(drift_db, ASSUMED.gain_drift_db * np.sqrt([1 / 3, 2 / 3, 1.0]))
    # a random walk: what happened by the first knot stays
    covariance = deviation[4 : 3 + KNOTS] @ deviation[4 : 3 + KNOTS].T
    np.testing.assert_allclose(covariance[0], ASSUMED.gain_drift_db**2 / 3.0)


def test_unnamed_surfaces_have_no_causes_of_their_own() -> None:
    spectra = replace(session("rings"), surface=np.full(len(session("rings").surface), -1))
    assert not any("surface" in name for name in remaining_causes(spectra, None, Settings()).names)


def test_the_scan_knows_its_surfaces_better_than_was_assumed() -> None:
    # surface after surface, a drift of the air of 0.04 % is 0.17 mm of offset, 1 us of delay 0.34 mm: both known here
    spectra = replace(session("rings"), sigma=Sigma(latency_s=1e-8))
    steady = Settings.model_validate({"uncertainty": {"sound_speed_drift_m_per_s": 0.0}})
    found = sizes(mend(spectra, steady).causes)
    assert found[GAIN] < 0.6 * ASSUMED.surface_gain_db
    assert found[OFFSET] < 0.5 * 1e3 * ASSUMED.surface_radius_m


def test_what_was_far_off_and_put_right_is_believed() -> None:
    """2 mm, where 0.3 mm were assumed: what remains is no more than where nothing was wrong."""
    positions_m, surface = scan("rings")
    outer = surface == 1
    normal = outward_normals(positions_m, surface, recognise_rings(positions_m, 8))
    clean = session("rings", jitter_m=0.0)
    displaced = heard(positions_m + (2e-3 * outer)[:, None] * normal)
    noise = clean.pressure_pa - heard(positions_m)[:, None]
    mended = mend(replace(clean, pressure_pa=displaced[:, None] + noise), Settings())
    assert any("offset of surface 1" in notice and "put right" in notice for notice in mended.notices)
    assert sizes(mended.causes)[OFFSET] < 1e3 * ASSUMED.surface_radius_m


def test_no_uncertainty_no_causes() -> None:
    # with drifts looked for, whose judges are those of the causes; the rest of mending has no part in them
    mending = {"bad_points": False, "surfaces": False}
    settings = Settings.model_validate({"uncertainty": {"enabled": False}, "mending": mending})
    assert mend(session("rings"), settings).causes is None
