"""A folder of WAV files becomes the session that was recorded, and every fault is told with file and line."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pack.wave_files import RATE_HZ, exponential_sweep, spectrum, write_positions, write_wav
from scipy import signal
from scipy.io import wavfile

from fieldproc.errors import SessionError, UsageError
from fieldproc.pack import PackSettings, load_pack_settings, pack_folder
from fieldproc.pack.wav import WavFault, read_wav
from fieldproc.records import ImpulseResponses, Session

IMPULSES: dict[str, Any] = {
    "title": "Box",
    "device": "a box",
    "units": "Pa/V",
    "recording": {"kind": "impulse responses", "per_full_scale": 4.0},
}
SWEEPS: dict[str, Any] = {
    **IMPULSES,
    "recording": {
        "kind": "sweeps",
        "stimulus": "stimulus.wav",
        "recorded_per_full_scale": 10.0,
        "played_per_full_scale": 4.0,
        "samples": 2048,
        "lead_samples": 1024,
        "harmonic_samples": 2048,
    },
}
FREQUENCY_HZ = np.array([100.0, 300.0, 1000.0, 3000.0, 10000.0])


def settings(document: dict[str, Any], **recording: Any) -> PackSettings:
    return PackSettings.model_validate({**document, "recording": {**document["recording"], **recording}})


def responses(session: Session) -> np.ndarray:
    assert isinstance(session.response, ImpulseResponses)
    return session.response.values.astype(np.float64)


def faults(folder: Path, positions: Path, wanted: PackSettings) -> list[str]:
    with pytest.raises(SessionError) as refused:
        pack_folder(folder, positions, wanted)
    return str(refused.value).splitlines()


# --- impulse responses -------------------------------------------------------------------------------


@pytest.mark.parametrize(("bits", "step"), [(16, 2.0**-15), (24, 2.0**-23), (32, 2.0**-31), ("float", 2.0**-24)])
def test_impulse_responses_of_every_width(tmp_path: Path, bits: int | str, step: float) -> None:
    generator = np.random.default_rng(1)
    samples = generator.uniform(-0.9, 0.9, (3, 2, 64))
    for index, one in enumerate(samples):
        write_wav(tmp_path / f"{index}.wav", one, bits)
    rows = [f"{index}.wav,{index},0.5,-1" for index in range(3)]
    positions = write_positions(tmp_path / "p.csv", rows)
    wanted = PackSettings.model_validate(
        {
            **IMPULSES,
            "channels": ["woofer", "tweeter"],
            "recording": {**IMPULSES["recording"], "microphone_channels": [1, 0], "start_s": -0.001},
        }
    )
    session = pack_folder(tmp_path, positions, wanted).session
    # half a step, and the single precision of the session
    np.testing.assert_allclose(
        responses(session), 4.0 * samples[:, ::-1].transpose(1, 0, 2), rtol=2.0**-23, atol=2 * step
    )
    assert session.channel_names == ("woofer", "tweeter")
    assert isinstance(session.response, ImpulseResponses)
    assert (session.response.sampling_rate_hz, session.response.start_s) == (48000.0, -0.001)
    np.testing.assert_array_equal(session.positions_m, [[0, 0.5, -1], [1, 0.5, -1], [2, 0.5, -1]])
    assert np.all(session.surface == -1)
    assert hashlib.sha256(positions.read_bytes()).hexdigest() in session.attributes["comment"]


def test_columns_in_any_order_and_repeats(tmp_path: Path) -> None:
    for name in ("a", "b", "c"):
        write_wav(tmp_path / "sub" / f"{name}.wav", np.linspace(-0.5, 0.5, 32))
    write_wav(tmp_path / "spare.wav", np.zeros(8))
    positions = write_positions(
        tmp_path / "p.csv",
        ["1,0,20.5,sub/a.wav,0.1,0,0,12", "0,1,21.5,sub/b.wav,0.1,0,0,13", "", "1,1,22.5,sub/c.wav,0.2,0,0,14"],
        "valid,surface,temperature_c,file,x_m,y_m,z_m,measured_at_s",
    )
    session = pack_folder(tmp_path, positions, settings(IMPULSES)).session
    np.testing.assert_array_equal(session.valid, [True, False, True])
    np.testing.assert_array_equal(session.surface, [0, 1, 1])
    np.testing.assert_array_equal(session.air.temperature_c, [20.5, 21.5, 22.5])
    np.testing.assert_array_equal(session.measured_at_s, [12, 13, 14])
    # repeats of one point stay two records
    np.testing.assert_array_equal(session.positions_m[0], session.positions_m[1])
    assert session.notices == ("1 WAV files that the positions do not name, left alone: spare.wav",)


def test_facts_of_the_settings(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", np.ones(32))
    document = {
        **IMPULSES,
        "units": "V/V",
        "microphone_sensitivity_v_per_pa": 0.0125,
        "comment": "Second try.",
        "drive": {"voltage_v": 2.0},
        "air": {"temperature_c": 23.0, "relative_humidity_percent": 40.0, "pressure_pa": 99e3},
        "loudspeaker": {
            "axis_origin_m": [0.1, 0, 0.2],
            "cabinet_size_m": [0.2, 0.3, 0.4],
            "cabinet_center_m": [0, 0, 0.1],
            "rated_impedance_ohm": 8,
        },
    }
    path = tmp_path / "p.csv"
    session = pack_folder(
        tmp_path, write_positions(path, ["a.wav,1,0,0"]), PackSettings.model_validate(document)
    ).session
    assert (session.unit, session.microphone.sensitivity_v_per_pa, session.drive.voltage_v) == ("V/V", 0.0125, 2.0)
    assert session.air.temperature_c is not None
    assert session.air.temperature_c.tolist() == [23.0]
    assert (session.air.relative_humidity_percent, session.air.pressure_pa) == (40.0, 99e3)
    assert session.cabinet is not None
    assert session.cabinet.size_m.tolist() == [0.2, 0.3, 0.4]
    assert session.axis.origin_m.tolist() == [0.1, 0, 0.2]
    assert session.rated_impedance_ohm == 8
    assert session.attributes["comment"].startswith("Second try. Packed from 1 WAV files")


@pytest.mark.parametrize(
    ("document", "told"),
    [
        ({**IMPULSES, "units": "V/V"}, "need microphone_sensitivity_v_per_pa"),
        ({**IMPULSES, "units": "Pa/FS"}, "need drive.level_dbfs"),
        ({**IMPULSES, "channels": ["a", "b"]}, "channels names 2"),
        ({**IMPULSES, "recording": {**SWEEPS["recording"], "reference_channel": 0}}, "both reference_channel"),
        ({**IMPULSES, "loudspeaker": {"cabinet_size_m": [1, 1, 1]}}, "go together"),
    ],
)
def test_settings_that_contradict_themselves(document: dict[str, Any], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        PackSettings.model_validate(document)


def test_settings_file_names_every_bad_key(tmp_path: Path) -> None:
    path = tmp_path / "pack.toml"
    path.write_text('title = "t"\ndevice = "d"\nunits = "V"\nchanels = ["a"]\n', encoding="utf-8")
    with pytest.raises(UsageError) as refused:
        load_pack_settings(path)
    assert "did you mean channels?" in str(refused.value)
    assert "setting units" in str(refused.value)
    assert "setting recording" in str(refused.value)


# --- faults ------------------------------------------------------------------------------------------


def test_every_faulty_line_is_named(tmp_path: Path) -> None:
    folder = tmp_path / "scan"
    write_wav(folder / "a.wav", np.ones(32))
    write_wav(tmp_path / "outside.wav", np.ones(32))
    os.symlink(tmp_path / "outside.wav", folder / "link.wav")
    rows = [
        "a.wav,1,2,3,0",
        "missing.wav,1,2,3,0",
        "../outside.wav,1,2,3,0",
        f"{tmp_path / 'outside.wav'},1,2,3,0",
        "link.wav,1,2,3,0",
        "a.wav,1,2,4,0",
        "a.wav,1,two,nan,-1",
        "a.wav,1,2,3",
    ]
    told = faults(folder, write_positions(tmp_path / "p.csv", rows, "file,x_m,y_m,z_m,surface"), settings(IMPULSES))
    starts = [
        f"{tmp_path / 'p.csv'}: line 3, file: found 'missing.wav', which is not there",
        f"{tmp_path / 'p.csv'}: line 4, file: found '../outside.wav'; required a name within the folder",
        f"{tmp_path / 'p.csv'}: line 5, file: found",
        f"{tmp_path / 'p.csv'}: line 6, file: found 'link.wav'; required a name within the folder",
        f"{tmp_path / 'p.csv'}: line 7, file: found 'a.wav', as on line 2",
        f"{tmp_path / 'p.csv'}: line 8, y_m: found 'two'; required a number of metres",
        f"{tmp_path / 'p.csv'}: line 8, z_m: found 'nan'",
        f"{tmp_path / 'p.csv'}: line 8, surface: found '-1'; required a whole number from 0",
        f"{tmp_path / 'p.csv'}: line 9: found 4 cells; required 5, as in the header",
    ]
    assert len(told) == len(starts)
    for line, start in zip(told, starts, strict=True):
        assert line.startswith(start)


@pytest.mark.parametrize(
    ("header", "told"),
    [
        ("file,x_m,y_m", "no column z_m"),
        ("file,x_m,y_m,z_m,surfce", "did you mean surface?"),
        ("file,x_m,y_m,z_m,x_m", "column x_m twice"),
    ],
)
def test_headers_that_are_refused(tmp_path: Path, header: str, told: str) -> None:
    (line,) = faults(tmp_path, write_positions(tmp_path / "p.csv", [], header), settings(IMPULSES))
    assert "line 1: " in line
    assert told in line


def test_a_positions_file_without_rows_or_bytes(tmp_path: Path) -> None:
    (line,) = faults(tmp_path, write_positions(tmp_path / "p.csv", []), settings(IMPULSES))
    assert "line 2: found the end of the file" in line
    (tmp_path / "p.csv").write_bytes(b"")
    assert "line 1" in faults(tmp_path, tmp_path / "p.csv", settings(IMPULSES))[0]
    (tmp_path / "p.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UsageError, match="not a CSV file"):
        pack_folder(tmp_path, tmp_path / "p.csv", settings(IMPULSES))
    with pytest.raises(UsageError, match="cannot be read"):
        pack_folder(tmp_path, tmp_path / "none.csv", settings(IMPULSES))
    with pytest.raises(UsageError, match="no folder"):
        pack_folder(tmp_path / "none", tmp_path / "p.csv", settings(IMPULSES))


def test_every_faulty_wav_file_is_named(tmp_path: Path) -> None:
    write_wav(tmp_path / "good.wav", np.ones(32))
    write_wav(tmp_path / "short.wav", np.ones(31))
    wavfile.write(tmp_path / "rate.wav", 44100, np.ones(32, dtype=np.float32))
    (tmp_path / "text.wav").write_text("no sound")
    (tmp_path / "cut.wav").write_bytes((tmp_path / "good.wav").read_bytes()[:-20])
    (tmp_path / "head.wav").write_bytes((tmp_path / "good.wav").read_bytes()[:30])
    names = ["good", "short", "rate", "text", "cut", "head"]
    positions = write_positions(tmp_path / "p.csv", [f"{name}.wav,{i},0,0" for i, name in enumerate(names)])
    told = faults(tmp_path, positions, settings(IMPULSES))
    for line, start in zip(
        told,
        [
            "line 3, short.wav: found 31 samples; required 32 samples",
            "line 4, rate.wav: found sampling rate 44100 Hz; required 48000 Hz",
            "line 5, text.wav: found a file that cannot be read",
            "line 6, cut.wav: found a file that ends too early",
            "line 7, head.wav: found a file that cannot be read",
        ],
        strict=True,
    ):
        assert line.startswith(f"{positions}: {start}")
    positions = write_positions(tmp_path / "p.csv", ["good.wav,0,0,0", "short.wav,1,0,0"])
    # said to be enough, 20 samples are taken from both
    assert responses(pack_folder(tmp_path, positions, settings(IMPULSES, samples=20)).session).shape == (1, 2, 20)
    assert "channel 3 (from 0)" in faults(tmp_path, positions, settings(IMPULSES, microphone_channels=[3]))[0]


def test_8_bit_samples_have_their_zero_at_128(tmp_path: Path) -> None:
    wavfile.write(tmp_path / "a.wav", 48000, np.array([0, 128, 192], dtype=np.uint8))
    np.testing.assert_array_equal(read_wav(tmp_path / "a.wav").values, [[-1.0, 0.0, 0.5]])
    with pytest.raises(WavFault, match="cannot be read"):
        read_wav(tmp_path)


# --- sweeps ------------------------------------------------------------------------------------------


def chain_delay(samples: np.ndarray, delay: float) -> np.ndarray:
    """Later by a number of samples that need not be whole."""
    length = 2 * len(samples)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(length) * delay)
    return np.fft.irfft(np.fft.rfft(samples, length) * turn, length)[: len(samples)]


def loudspeaker(seed: int) -> np.ndarray:
    """A response that has died away, band-limited like a converter's, sound from sample 60 on."""
    generator = np.random.default_rng(seed)
    raw = np.zeros(1500)
    raw[60:1060] = generator.normal(size=1000) * np.exp(-np.arange(1000) / 120.0)
    return signal.sosfiltfilt(signal.butter(4, [60.0, 16000.0], "band", fs=RATE_HZ, output="sos"), raw)


# Delay in samples and gain of the chain at each of four points: a jump, a fraction, a drift of gain.
CHAIN = ((900.0, 1.0), (900.0, 1.0), (903.25, 1.02), (911.6, 0.97))


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, np.ndarray]:
    """A folder of records of one sweep, channel 0 the microphone, channel 1 the drive signal; true responses."""
    folder = tmp_path_factory.mktemp("swept")
    stimulus, _ = exponential_sweep(2.0, 10.0, 20000.0, fade_s=0.02)
    write_wav(folder / "stimulus.wav", 0.5 * stimulus)
    true = np.stack([loudspeaker(seed) for seed in range(len(CHAIN))])
    for index, ((delay, gain), response) in enumerate(zip(CHAIN, true, strict=True)):
        played = chain_delay(gain * 0.5 * np.concatenate([stimulus, np.zeros(6000)]), delay)
        record = signal.fftconvolve(played, response)[: len(played)]
        write_wav(folder / f"{index}.wav", np.stack([record * 4.0 / 10.0, 0.8 * played]))
    write_positions(folder / "p.csv", [f"{index}.wav,{index},0,0" for index in range(len(CHAIN))])
    return folder, true


def test_sweeps_without_a_reference(swept: tuple[Path, np.ndarray]) -> None:
    folder, true = swept
    session = pack_folder(folder, folder / "p.csv", settings(SWEEPS, latency_samples=900)).session
    assert isinstance(session.response, ImpulseResponses)
    assert session.response.start_s == -1024 / RATE_HZ
    assert responses(session).shape == (1, 4, 1024 + 2048)
    found = spectrum(responses(session)[0], session.response.start_s, FREQUENCY_HZ)
    for (delay, gain), one, response in zip(CHAIN, found, true, strict=True):
        late = gain * np.exp(-2j * np.pi * FREQUENCY_HZ * (delay - 900) / RATE_HZ)
        # the lower edge of the band, 10 Hz, rings on where the response is cut: 0.02 dB at 100 Hz, then falling
        error = np.abs(one / (late * spectrum(response, 0.0, FREQUENCY_HZ)) - 1)
        assert np.all(error < [3e-3, 1e-3, 3e-4, 1e-4, 1e-4])
    (told,) = session.notices
    assert told.startswith("the stimulus is an exponential sweep, 10.0")
    assert session.drive.reference is None


def test_the_reference_carries_delay_and_gain_of_the_chain(swept: tuple[Path, np.ndarray]) -> None:
    folder, true = swept
    session = pack_folder(folder, folder / "p.csv", settings(SWEEPS, reference_channel=1)).session
    reference = session.drive.reference
    assert reference is not None
    assert isinstance(session.response, ImpulseResponses)
    assert session.drive.reference_sampling_rate_hz == RATE_HZ
    assert reference.shape == (4, 1024)
    # each record is cut at its own whole-sample delay
    np.testing.assert_array_equal(np.argmax(np.abs(reference), axis=1), 256)
    drive = spectrum(reference.astype(np.float64), -256 / RATE_HZ, FREQUENCY_HZ)
    found = spectrum(responses(session)[0], session.response.start_s, FREQUENCY_HZ)
    expected = np.stack([spectrum(response, 0.0, FREQUENCY_HZ) for response in true])
    # the reference channel has 0.8 of the drive; below 300 Hz its short window holds the ringing of the edges
    np.testing.assert_allclose((0.8 * found / drive)[:, 1:], expected[:, 1:], rtol=1e-3)
    assert "delays the records by 900 to 912 samples; each is cut at its own delay" in session.notices[1]


def test_harmonics_are_kept_apart(tmp_path: Path) -> None:
    stimulus, rate_s = exponential_sweep(5.0, 20.0, 7000.0, fade_s=0.02)
    write_wav(tmp_path / "stimulus.wav", stimulus)
    record = np.concatenate([np.zeros(500), stimulus + 0.1 * stimulus**2 + 0.05 * stimulus**3, np.zeros(6000)])
    write_wav(tmp_path / "a.wav", 0.2 * record)
    positions = write_positions(tmp_path / "p.csv", ["a.wav,1,0,0"])
    wanted = settings(SWEEPS, harmonics=3, harmonic_samples=4096, latency_samples=500)
    packed = pack_folder(tmp_path, positions, wanted)
    harmonics = packed.harmonics
    assert harmonics is not None
    assert harmonics.values.shape == (2, 1, 1, 4096)
    assert (harmonics.order.tolist(), harmonics.unit, harmonics.sampling_rate_hz) == ([2, 3], "Pa/V", RATE_HZ)
    frequency_hz = np.array([200.0, 500.0, 1000.0, 5000.0])
    # 10 Pa at full scale recorded, 4 V at full scale played, records 0.2 of what the cubic law gives
    for values, start_s, magnitude in zip(harmonics.values, harmonics.start_s, (0.05, 0.0125), strict=True):
        found = np.abs(spectrum(values[0, 0].astype(np.float64), start_s, frequency_hz))
        np.testing.assert_allclose(found, 0.2 * 10 / 4 * magnitude, rtol=1e-3)
    # sample 0 lies 1024 samples and less than one more before the moment the harmonic counts from
    assert np.all(np.abs(harmonics.start_s * RATE_HZ + 1024) <= 1)
    first = spectrum(responses(packed.session)[0, 0], -1024 / RATE_HZ, frequency_hz)
    # the response of a flat chain rings at the band's lower edge, 20 Hz, beyond its end
    np.testing.assert_allclose(np.abs(first), 0.2 * 10 / 4 * 1.0375, rtol=3e-3)
    room = int(rate_s * np.log(3 / 2) * RATE_HZ)
    with pytest.raises(UsageError, match=f"take at most {room} samples"):
        pack_folder(tmp_path, positions, settings(SWEEPS, harmonics=3, harmonic_samples=room + 1))


def test_a_stated_sweep_needs_no_recognition(swept: tuple[Path, np.ndarray]) -> None:
    folder, _ = swept
    stated = {"start_hz": 10.0, "end_hz": 20000.0, "duration_s": 2.0}
    wanted = settings(SWEEPS, latency_samples=900, harmonics=2, sweep=stated)
    packed = pack_folder(folder, folder / "p.csv", wanted)
    assert packed.session.notices == ("the stimulus is an exponential sweep, 10 Hz to 20000 Hz",)
    assert packed.harmonics is not None
    # linear responses have no second harmonic; what is left is the ringing of the band's lower edge
    assert np.abs(packed.harmonics.values).max() < 1e-3 * np.abs(responses(packed.session)).max()


def test_any_stimulus_will_do(tmp_path: Path) -> None:
    generator = np.random.default_rng(5)
    stimulus, response = 0.2 * generator.normal(size=20000), loudspeaker(7)
    write_wav(tmp_path / "stimulus.wav", stimulus)
    write_wav(tmp_path / "a.wav", 0.1 * np.convolve(stimulus, response))
    positions = write_positions(tmp_path / "p.csv", ["a.wav,1,0,0"])
    session = pack_folder(tmp_path, positions, settings(SWEEPS, samples=1400, lead_samples=64)).session
    assert session.notices[0].startswith("the stimulus is no exponential sweep")
    found = spectrum(responses(session)[0, 0], -64 / RATE_HZ, FREQUENCY_HZ)
    # a random stimulus has gaps in its spectrum, and the response of a filter run both ways begins before sample 0
    np.testing.assert_allclose(found, 0.25 * spectrum(response, 0.0, FREQUENCY_HZ), rtol=5e-3)
    with pytest.raises(UsageError, match="only an exponential sweep"):
        pack_folder(tmp_path, positions, settings(SWEEPS, samples=1400, harmonics=2))


def test_bad_records_are_marked_and_named(tmp_path: Path) -> None:
    stimulus, _ = exponential_sweep(1.0, 20.0, 20000.0, fade_s=0.02)
    write_wav(tmp_path / "stimulus.wav", stimulus)
    tail = np.concatenate([0.5 * stimulus, np.zeros(4000)])
    write_wav(tmp_path / "good.wav", np.stack([tail, tail]), 16)
    write_wav(tmp_path / "clipped.wav", np.stack([np.clip(3 * tail, -1, 1), tail]), 16)
    write_wav(tmp_path / "unplugged.wav", np.stack([tail, 0 * tail]), 16)
    hum = 1e-2 * np.random.default_rng(6).normal(size=len(tail))
    write_wav(tmp_path / "hum.wav", np.stack([tail, hum]), 16)
    names = ("good", "clipped", "unplugged", "hum")
    positions = write_positions(tmp_path / "p.csv", [f"{name}.wav,{i},0,0" for i, name in enumerate(names)])
    session = pack_folder(tmp_path, positions, settings(SWEEPS, reference_channel=1)).session
    np.testing.assert_array_equal(session.valid, [True, False, False, False])
    assert "1 clipped records, marked not valid: clipped.wav" in session.notices
    told = "2 records without a signal in the reference channel, marked not valid: unplugged.wav, hum.wav"
    assert told in session.notices
    assert "levels below 40" in session.notices[1]


def test_a_drifting_clock_is_told(tmp_path: Path) -> None:
    stimulus, _ = exponential_sweep(2.0, 20.0, 20000.0)
    write_wav(tmp_path / "stimulus.wav", stimulus)
    fast = np.concatenate([0.5 * exponential_sweep(2.0, 20.0, 20000.0, clock_ppm=30.0)[0], np.zeros(4000)])
    write_wav(tmp_path / "a.wav", np.stack([fast, fast]))
    positions = write_positions(tmp_path / "p.csv", ["a.wav,1,0,0"])
    session = pack_folder(tmp_path, positions, settings(SWEEPS, reference_channel=1)).session
    assert any("clock runs 30.0 ppm fast" in told for told in session.notices)


def test_records_and_stimuli_that_are_refused(swept: tuple[Path, np.ndarray], tmp_path: Path) -> None:
    folder, _ = swept
    (line, *_) = faults(folder, folder / "p.csv", settings(SWEEPS, samples=200_000))
    assert "line 2, 0.wav: found 102000 samples" in line
    with pytest.raises(UsageError, match="is not there"):
        pack_folder(folder, folder / "p.csv", settings(SWEEPS, stimulus="other.wav"))
    with pytest.raises(UsageError, match="is not within"):
        pack_folder(folder, folder / "p.csv", settings(SWEEPS, stimulus="../stimulus.wav"))
    for name in ("0.wav", "stimulus.wav"):
        write_wav(tmp_path / name, np.zeros(100))
    positions = write_positions(tmp_path / "p.csv", ["0.wav,1,0,0"])
    with pytest.raises(SessionError, match="silence"):
        pack_folder(tmp_path, positions, settings(SWEEPS))
    (tmp_path / "stimulus.wav").write_text("no sound")
    with pytest.raises(SessionError, match="cannot be read"):
        pack_folder(tmp_path, positions, settings(SWEEPS))
