"""Settings: closed, round-tripping, and deaf to hostile files."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldproc.errors import UsageError
from fieldproc.settings import MAX_SETTINGS_BYTES, Settings, dump_settings, load_settings

SECTIONS = {name: list(type(model).model_fields) for name, model in Settings()}
KEYS = [(section, key) for section, keys in SECTIONS.items() for key in keys]


def load_text(folder: Path, text: str) -> Settings:
    path = folder / "settings.toml"
    path.write_text(text, encoding="utf-8")
    return load_settings(path)


def test_the_contract_names_these_settings() -> None:
    assert {
        ("separation", "enabled"),
        ("orders", "outgoing"),
        ("orders", "regular"),
        ("expansion", "origin_m"),
        ("tables", "rear_wall"),
        ("extrapolation", "reference_distance_m"),
    } <= set(KEYS)


@pytest.mark.parametrize(("section", "key"), KEYS)
def test_a_typo_in_a_key_is_refused_with_the_right_one(tmp_path: Path, section: str, key: str) -> None:
    with pytest.raises(
        UsageError, match=rf"unknown setting {section}\.{key}{key[-1]}; did you mean {key}\?"
    ) as caught:
        load_text(tmp_path, f"[{section}]\n{key}{key[-1]} = 1\n")
    assert caught.value.exit_code == 2


@pytest.mark.parametrize("section", SECTIONS)
def test_a_typo_in_a_section_is_refused_with_the_right_one(tmp_path: Path, section: str) -> None:
    with pytest.raises(UsageError, match=rf"unknown setting {section}x; did you mean {section}\?"):
        load_text(tmp_path, f"[{section}x]\n")


def test_a_key_like_no_other_gets_the_list(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"unknown setting tables\.zzz; known keys: rear_wall"):
        load_text(tmp_path, "[tables]\nzzz = 1\n")


def test_every_bad_key_is_named_at_once(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="unknown") as caught:
        load_text(tmp_path, "[spectra]\nlowest_hz = -1\ncount = 0\n[tables]\nrear = 'three'\n")
    lines = str(caught.value).splitlines()
    assert all(line.startswith(str(tmp_path / "settings.toml")) for line in lines)
    assert [word in line for word, line in zip(("tables.rear", "lowest_hz", "count"), lines, strict=True)] == [
        True
    ] * 3


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("[spectra]\nlowest_hz = nan\n", "finite"),
        ("[spectra]\nlowest_hz = '20'\nper_octave = 97\n", "less than or equal to 96"),
        ("[tables]\nrear_wall = 'four'\n", "'three' or 'all'"),
        ("[axis]\nup = [0, 1]\n", "Field required"),
        ("[uncertainty]\ndraws = 7\n", "greater than or equal to 8"),
        ("[uncertainty]\nlatency_s = -1e-6\n", "greater than or equal to 0"),
        ("[uncertainty]\nenabled = 'auto'\n", "boolean"),
        ("[orders]\noutgoing = -1\n", "greater than or equal to 0"),
        ("[orders]\noutgoing = 101\n", "less than or equal to 100"),
        ("spectra = 5\n", "setting spectra: .*found 5"),
        ("[spectra]\nreference = true\n", "'auto' or False"),
        # there is no way to absorb on where a far field is scaled to 1 m
        ("[extrapolation]\nair_absorption = true\n", 'needs quantity = "true pressure"'),
        # 20 Hz times 2 to the power of 1099
        ("[spectra]\nper_octave = 1\ncount = 1100\n", "spectra"),
    ],
)
def test_a_bad_value_is_refused(tmp_path: Path, text: str, complaint: str) -> None:
    with pytest.raises(UsageError, match=complaint):
        load_text(tmp_path, text)


@pytest.mark.parametrize(
    "value", ["[[100, 3], [50, 5]]", "[[0, 3], [0, 5]]", "[]", "[[0, 3], [100, -1]]", "[[-5, 3]]", "[[0, 3, 4]]"]
)
def test_an_order_table_must_rise(tmp_path: Path, value: str) -> None:
    with pytest.raises(UsageError, match=r"setting orders\.outgoing"):
        load_text(tmp_path, f"[orders]\noutgoing = {value}\n")


def test_an_order_table_is_read_as_pairs(tmp_path: Path) -> None:
    settings = load_text(tmp_path, "[orders]\nregular = [[0, 3], [99.5, 5]]\n")
    assert settings.orders.regular == ((0.0, 3), (99.5, 5))


def test_no_file_means_defaults_and_a_missing_one_is_an_error(tmp_path: Path) -> None:
    assert load_settings(None) == Settings()
    with pytest.raises(UsageError, match="cannot be read"):
        load_settings(tmp_path / "none.toml")
    with pytest.raises(UsageError, match="cannot be read"):
        load_settings(tmp_path)


positive = st.floats(0, 1e6, exclude_min=True)
number = st.floats(-1e6, 1e6)
order = st.integers(0, 100)
table = st.lists(st.tuples(st.floats(0, 1e6), order), min_size=1, max_size=5, unique_by=lambda pair: pair[0]).map(
    sorted
)
orders = st.just("auto") | order | table
place = st.just("session") | st.tuples(number, number, number)
auto_positive = st.just("auto") | positive
band = st.tuples(st.floats(1, 100), st.floats(101, 1e5))
documents = st.fixed_dictionaries(
    {
        "spectra": st.fixed_dictionaries(
            {
                "lowest_hz": st.floats(1, 100),
                "per_octave": st.integers(24, 96),
                "count": st.integers(1, 240),
                "reference": st.sampled_from(["auto", False]),
            }
        ),
        "axis": st.fixed_dictionaries({"origin_m": place, "direction": place, "up": place}),
        "separation": st.fixed_dictionaries({"enabled": st.sampled_from(["auto", True, False])}),
        "mending": st.fixed_dictionaries(dict.fromkeys(SECTIONS["mending"], st.sampled_from(["auto", False]))),
        "uncertainty": st.fixed_dictionaries(
            {
                "enabled": st.booleans(),
                "draws": st.integers(8, 512),
                **dict.fromkeys(SECTIONS["uncertainty"][2:], st.floats(0, 1e6)),
            }
        ),
        "gate": st.fixed_dictionaries({"enabled": st.sampled_from(["auto", False]), "crossover_hz": auto_positive}),
        "scattering": st.fixed_dictionaries(
            {"body": st.sampled_from(["auto", "none", "box", "sphere"]), "sphere_radius_m": auto_positive}
        ),
        "orders": st.fixed_dictionaries(
            {
                "outgoing": orders,
                "regular": orders,
                "truncation_db": st.floats(-120, -20),
                "unknowns_per_point": st.floats(0, 1, exclude_min=True),
            }
        ),
        "expansion": st.fixed_dictionaries(
            {
                "origin_m": st.sampled_from(["auto", "acoustic center"]) | st.tuples(number, number, number),
                "source_radius_m": auto_positive,
                "several_centers": st.sampled_from(["auto", True, False]),
                "room_distance_m": auto_positive,
                "regularisation": st.sampled_from(["auto", "always", "never"]),
                "point_weights": st.sampled_from(["equal", "repeats", "noise", "auto"]),
                "regularisation_weight": st.sampled_from(["likelihood", "cross-validation"]),
            }
        ),
        "extrapolation": st.fixed_dictionaries(
            {
                "quantity": st.sampled_from(["far field", "true pressure"]),
                "reference_distance_m": positive,
                "latency_s": number,
                "air_absorption": st.booleans(),
            }
        ).filter(lambda chosen: chosen["quantity"] == "true pressure" or not chosen["air_absorption"]),
        "tables": st.fixed_dictionaries(
            {
                "rear_wall": st.sampled_from(["three", "all"]),
                "early_reflections": st.sampled_from(["groups", "pooled"]),
                "polar_step_deg": st.sampled_from([10, 5, 2, 1]),
                "smoothing_per_octave": st.just("none") | st.integers(1, 48),
                "bands_per_octave": st.just("none") | st.integers(1, 24),
            }
        ),
        "scalars": st.fixed_dictionaries(
            {
                **dict.fromkeys(SECTIONS["scalars"], band),
                "limit_curve": st.sampled_from(["on axis", "listening window", "sound power"]),
            }
        ),
        "exports": st.fixed_dictionaries(
            {
                "formats": st.lists(
                    st.sampled_from(["aes69", "netcdf", "text", "json", "impulse", "harmonics"]),
                    max_size=6,
                    unique=True,
                ),
                "balloon": st.sampled_from(["aes56", "aes56 half", "aes56 quarter", "gauss", "equiangular"])
                | st.lists(st.tuples(number, st.floats(-90, 90)), min_size=1, max_size=5),
                "balloon_degree": st.just("auto") | st.integers(1, 100),
            }
        ),
        "report": st.fixed_dictionaries({"figures": st.booleans()}),
        "findings": st.fixed_dictionaries(
            {
                "enabled": st.booleans(),
                "trend_band_hz": band,
                "departure_band_hz": band,
                "least_departure_db": positive,
            }
        ),
        "equalizer": st.fixed_dictionaries(
            {
                "target": st.sampled_from(["trend", "flat"]) | number,
                "sampling_rate_hz": positive,
                "band_hz": band,
                "most_sections": st.integers(1, 20),
                "most_boost_db": st.floats(0, 12),
                "most_cut_db": st.floats(0, 24),
                "largest_q_below": st.floats(1e-3, 40),
                "largest_q_above": st.floats(1e-3, 40),
            }
        ),
        "seat": st.fixed_dictionaries(
            {
                "distance_m": positive,
                "height_m": number,
                "tolerance_db": positive,
                "room_allowance_db": number,
                "wanted_level_db": st.just("none") | number,
            }
        ),
        "placement": st.fixed_dictionaries(
            {
                **dict.fromkeys(("front_wall_m", "side_wall_m", "floor_m"), st.just("none") | positive),
                "side": st.sampled_from(["left", "right"]),
                "hand_over_hz": positive,
            }
        ),
        "amplifier": st.fixed_dictionaries(
            {
                "power_w": st.just("none") | positive,
                "rated_impedance_ohm": st.just("session") | positive,
                "impedance_curve": st.just("none") | st.lists(st.tuples(positive, positive), min_size=2, max_size=5),
            }
        ),
        "validation": st.fixed_dictionaries(
            {
                **dict.fromkeys(SECTIONS["validation"], positive),
                "off_monopole_db": st.floats(-200, -1e-3),
                "distances_m": st.lists(positive, min_size=1, max_size=16).map(tuple),
                "covered_share": st.floats(0, 1),
            }
        ),
    }
)


@given(document=documents)
def test_what_is_dumped_loads_equal(
    tmp_path_factory: pytest.TempPathFactory, document: dict[str, dict[str, object]]
) -> None:
    assert {(section, key) for section, keys in document.items() for key in keys} == set(KEYS)
    settings = Settings.model_validate(document)
    text = dump_settings(settings)
    again = load_text(tmp_path_factory.getbasetemp(), text)
    assert again == settings
    assert dump_settings(again) == text


BOMBS = {
    "nested arrays": "x = " + "[" * 100_000,
    "nested tables": "x = " + "{a=" * 100_000,
    "value nested below a known key": f"spectra.lowest_hz.{'a.' * 2000}a = 1",
    # the parser takes the square of the parts' number
    "key of many parts": "a." * min(20_000, MAX_SETTINGS_BYTES // 2 - 10) + "a = 1",
    "number of many digits": f"[spectra]\ncount = {'9' * 10_000}",
    "huge file": "#" * (MAX_SETTINGS_BYTES + 1),
    "long key": f"{'k' * 10_000} = 1",
    "long value": f"[tables]\nrear_wall = '{'x' * 10_000}'",
    "not text": "a = \x00",
}


@pytest.mark.parametrize("bomb", BOMBS)
def test_a_hostile_file_is_a_short_complaint(tmp_path: Path, bomb: str) -> None:
    start = time.process_time()
    with pytest.raises(UsageError, match=r"settings\.toml") as caught:
        load_text(tmp_path, BOMBS[bomb])
    # what a person reads, not what the file holds
    assert len(str(caught.value)) < 1000 + len(str(tmp_path))
    # not a matter of speed: a parser that takes the bait needs minutes
    assert time.process_time() - start < 1.0


def test_a_file_that_is_not_utf_8_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(UsageError, match="not valid TOML"):
        load_settings(path)


@pytest.mark.parametrize(
    "text",
    [
        "[orders]\noutgoing = true\n",
        "[orders]\noutgoing = '5'\n",
        "[separation]\nenabled = 1\n",
        "[report]\nfigures = 'no'\n",
    ],
)
def test_a_value_of_another_type_is_not_bent_into_shape(tmp_path: Path, text: str) -> None:
    with pytest.raises(UsageError, match="setting"):
        load_text(tmp_path, text)
