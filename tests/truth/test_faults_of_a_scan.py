"""What goes wrong in a scan of hours, from its responses to the far field, against the closed form.

Five monopoles in a reflective room, 1,008 points on rings of two cylinders, noise 60 dB below the rms pressure.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scanned import relative_error_db

from fieldproc.condition import condition
from fieldproc.expand import expand, mend
from fieldproc.expand.coverage import fibonacci_directions
from fieldproc.extrapolate import far_field_pressure
from fieldproc.records import Air, Session, Spectra
from fieldproc.settings import GateSettings, Settings, SpectraSettings, UncertaintySettings
from fieldproc.simulate import NAMED_SCENES, simulate, truth
from fieldproc.simulate.scene import CylinderModel, ImpulseResponseModel, MonopolesModel, Scene

# Third octaves, 100 Hz to 1 kHz.
GRID = SpectraSettings(lowest_hz=100.0, per_octave=3, count=11)
# bands of uncertainty take time, and change no fit
SETTINGS = Settings(spectra=GRID, gate=GateSettings(enabled=False), uncertainty=UncertaintySettings(enabled=False))
POINTS = 1008
DIRECTIONS = fibonacci_directions(400)


def scene(azimuths: int | None = 24, **changes: Any) -> Scene:
    """Of the reference for accuracy, impulse responses at half of its points; rings of any count without azimuths."""
    return NAMED_SCENES["monopole-cluster"]().model_copy(
        update={
            "scan": CylinderModel(points=POINTS, azimuths=azimuths),
            "recording": ImpulseResponseModel(sampling_rate_hz=12000.0, samples=2048),
            **changes,
        }
    )


def far_field_of(session: Session, of: Scene | None = None) -> tuple[np.ndarray, Spectra]:
    """Error re the closed form of a scene in dB, (frequency,), and the spectra that it was made from."""
    spectra = mend(condition(session, GRID, SETTINGS.gate), SETTINGS)
    expansion = expand(spectra, SETTINGS)
    exact = truth(of or scene()).far_field(expansion.frequency_hz, DIRECTIONS)
    return relative_error_db(far_field_pressure(expansion, session.axis, DIRECTIONS)[:, 0], exact), spectra


@pytest.fixture(scope="module")
def clean() -> Session:
    return simulate(scene(), 5)


def with_values(session: Session, values: np.ndarray) -> Session:
    return replace(session, response=replace(session.response, values=values))


def test_six_bad_points_cost_nothing(clean: Session) -> None:
    values = clean.response.values.copy()
    bumped, missing, silent, elsewhere, clipped, inverted = 18, 260, 400, 605, 778, 952
    values[0, bumped] *= 10 ** (10 / 20)
    values[0, missing, 300:320] = np.nan
    values[0, silent] = 0.0
    # the microphone stood 20 mm from where the file says
    moved = clean.positions_m.copy()
    moved[elsewhere] += np.array([0.0, 0.012, 0.016])
    half = 0.5 * np.abs(values[0, clipped]).max()
    values[0, clipped] = np.clip(values[0, clipped], -half, half)
    values[0, inverted] *= -1
    clean_db, _ = far_field_of(clean)
    error_db, spectra = far_field_of(replace(with_values(clean, values), positions_m=moved))
    assert {point.index for point in spectra.dropped} == {bumped, missing, silent, elsewhere, clipped, inverted}
    reasons = {point.index: point.reason for point in spectra.dropped}
    assert "level too high by 10" in reasons[bumped]
    assert "not finite" in reasons[missing]
    assert "silent" in reasons[silent]
    assert "clipped" in reasons[clipped]
    assert "polarity inverted" in reasons[inverted]
    # on the mean over the band; single frequencies are draws of the same noise with six points less
    assert abs(np.mean(error_db) - np.mean(clean_db)) <= 1.0
    assert np.max(error_db - clean_db) <= 2.0


def test_rings_survive_bad_points(clean: Session) -> None:
    values = clean.response.values.copy()
    values[0, 18] = 0.0
    values[0, 952] *= -1
    # one point is displaced on its ring only if it is not good
    _, spectra = far_field_of(with_values(clean, values))
    assert spectra.left_out is not None
    assert len(spectra.positions_m) == POINTS
    assert set(spectra.file_point[spectra.left_out].tolist()) == {18, 952}


@pytest.mark.slow
def test_a_kelvin_over_the_scan_with_temperatures_given() -> None:
    """Surface after surface, one kelvin in all: the sound of the room is another at every point."""
    steps = 8
    # delays in the drive keep their pace: monopoles 40 to 210 us late would cost 2 dB on the mean, 4 at the worst
    model = scene().source
    assert isinstance(model, MonopolesModel)
    together = tuple(one.model_copy(update={"delay_s": 0.0}) for one in model.monopoles)
    source = model.model_copy(update={"monopoles": together})
    small = scene(None, temperature_c=20.0, source=source)
    steady = simulate(small, 6)
    order = np.arange(POINTS)
    temperature_c = 19.5 + np.floor(order * steps / POINTS) / (steps - 1)
    values = np.empty_like(steady.response.values)
    for warm in np.unique(temperature_c):
        own = np.flatnonzero(temperature_c == warm)
        at = simulate(small.model_copy(update={"temperature_c": float(warm)}), 6)
        values[:, own] = at.response.values[:, own]
    drifted = replace(with_values(steady, values), air=Air(temperature_c=temperature_c), measured_at_s=10.0 * order)
    steady_db, _ = far_field_of(steady, small)
    error_db, spectra = far_field_of(drifted, small)
    assert np.ptp(spectra.sound_speed_m_per_s) == 0
    assert any("sound speed varied" in told for told in spectra.notices)
    assert np.max(error_db - steady_db) <= 3.0
    # without what the file states of them it is another matter
    unknown_db, _ = far_field_of(replace(drifted, air=Air(temperature_c=np.full(POINTS, 20.0))), small)
    assert np.max(unknown_db - steady_db) > 10.0
