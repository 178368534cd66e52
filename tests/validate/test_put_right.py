"""What mending says that it put right, as validation reads it: a drift of the gain, and nothing in a steady scan."""

from __future__ import annotations

import numpy as np
import pytest
from expand.apparatus import heard
from scanned import make_spectra, noisy

from fieldproc.expand import mend
from fieldproc.records import Spectra
from fieldproc.settings import MendingSettings, Settings, UncertaintySettings
from fieldproc.simulate.scans import sphere_scan
from fieldproc.simulate.sources import Monopole, MonopoleCluster

FREQUENCY_HZ = np.array([150.0, 200.0, 300.0, 400.0, 500.0, 600.0])
SETTINGS = Settings(mending=MendingSettings(bad_points=False), uncertainty=UncertaintySettings(enabled=False))


@pytest.fixture(scope="module")
def steady() -> Spectra:
    """A point source in a room, two spheres whose points are visited in random order."""
    generator = np.random.default_rng(4)
    positions_m, surface = sphere_scan(500, 0.3, gap_m=0.06, grid="spiral")
    source = MonopoleCluster((Monopole((0.03, 0.02, -0.01)),), 1e-4)
    pressure_pa = noisy(heard(positions_m, source=source, frequency_hz=FREQUENCY_HZ), -60.0, generator)
    time_s = generator.permutation(len(positions_m)).astype(np.float64)
    return make_spectra(positions_m, FREQUENCY_HZ, pressure_pa, surface, measured_at_s=time_s)


def test_nothing_is_put_right_in_a_steady_scan(steady: Spectra) -> None:
    assert mend(steady, SETTINGS).put_right == ()


def test_a_gain_that_grew_is_named_with_its_range(steady: Spectra) -> None:
    assert steady.measured_at_s is not None
    louder = steady.scaled(10.0 ** (0.3 * steady.measured_at_s[None] / len(steady.positions_m) / 20.0))
    (found,) = mend(louder, SETTINGS).put_right
    assert (found.name, found.unit) == ("gain over the scan", "dB")
    # four standard errors of 0.0045 dB
    assert found.value == pytest.approx(0.3, abs=0.018)
