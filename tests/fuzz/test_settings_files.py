"""Any TOML file, for any of the models: a model or a ``UsageError``, soon; and what is dumped loads equal."""

from __future__ import annotations

import datetime
import json
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from fieldproc.errors import UsageError
from fieldproc.pack.merge_settings import MergeSettings
from fieldproc.pack.settings import PackSettings
from fieldproc.scanplan.settings import JudgeSettings, PlanSettings
from fieldproc.settings import MAX_SETTINGS_BYTES, Settings, dump_settings, load_model, load_settings
from fieldproc.simulate.scene import Scene

MODELS: tuple[type[BaseModel], ...] = (Settings, PackSettings, MergeSettings, PlanSettings, JudgeSettings, Scene)
# What was asked for; the worst takes a fifth of it.
SECONDS = 1.0


def key_paths(model: type[BaseModel]) -> list[tuple[str, ...]]:
    """Every key, of the model and of the tables in it that are of one form."""
    paths: list[tuple[str, ...]] = []
    for name, field in model.model_fields.items():
        kind = field.annotation
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            paths += [(name, *below) for below in key_paths(kind)]
        paths.append((name,))
    return paths


PATHS = {model: key_paths(model) for model in MODELS}
KEYS = [(model, path) for model in MODELS[1:] for path in PATHS[model]]
# Right for some keys and wrong for others.
WORDS = ("auto", "session", "none", "equal", "aes56", "all", "box", "sphere", "sweeps", "far field", "on axis")
numbers = st.integers(-3, 12) | st.floats(allow_nan=True, allow_infinity=True) | st.floats(1e-3, 1e3) | st.integers()
simple = numbers | st.booleans() | st.sampled_from(WORDS) | st.text(max_size=8) | st.just(datetime.date(2020, 1, 2))
values = st.recursive(
    simple | st.lists(numbers, min_size=2, max_size=3),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=2),
    max_leaves=5,
)


def toml(value: Any) -> str:
    """A value as TOML has it."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, str):
        # characters beyond the first plane become pairs, which TOML forbids: wrong files are wanted, too
        return json.dumps(value)
    return json.dumps(value).replace("NaN", "nan").replace("Infinity", "inf") if _is_plain(value) else str(value)


def _is_plain(value: Any) -> bool:
    return isinstance(value, bool | int | float)


def load(folder: Path, text: str, model: type[BaseModel]) -> BaseModel | UsageError:
    """What comes of a file; anything but these two is a failure of the test."""
    path = folder / "any.toml"
    path.write_text(text, encoding="utf-8", newline="")
    try:
        return load_model(path, model)
    except UsageError as refusal:
        lines = str(refusal).splitlines()
        assert all(line.startswith(str(path)) and line.isprintable() for line in lines)
        assert len(lines) <= 51
        return refusal


@settings(max_examples=1000, deadline=None, derandomize=True)
@given(data=st.data(), model=st.sampled_from((Settings, *MODELS)))
def test_any_values_under_known_keys(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject, model: type[BaseModel]
) -> None:
    paths = data.draw(st.lists(st.sampled_from(PATHS[model]), unique=True, min_size=1, max_size=3))
    text = "".join(f"{'.'.join(path)} = {toml(data.draw(values))}\n" for path in paths)
    folder = tmp_path_factory.getbasetemp()

    loaded = load(folder, text, model)

    if isinstance(loaded, Settings):
        (folder / "again.toml").write_text(dump_settings(loaded), encoding="utf-8")
        assert load_settings(folder / "again.toml") == loaded


@settings(max_examples=300, deadline=None, derandomize=True)
@given(text=st.text(st.sampled_from("[]{}=.,#\"'\\\n\r ab1e+-_:x\x00é"), max_size=60))
def test_any_text(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    loaded = load(tmp_path_factory.getbasetemp(), text, Settings)

    # nothing but comments and blanks says nothing
    assert isinstance(loaded, UsageError) or loaded == Settings()


@pytest.mark.parametrize(("model", "path"), KEYS, ids=lambda part: getattr(part, "__name__", None) or ".".join(part))
def test_a_typo_is_refused_with_the_right_key(tmp_path: Path, model: type[BaseModel], path: tuple[str, ...]) -> None:
    wrong = ".".join((*path[:-1], f"{path[-1]}{path[-1][-1]}"))

    refused = load(tmp_path, f"{wrong} = 1\n", model)

    assert f"unknown setting {wrong}; did you mean {path[-1]}?" in str(refused)


BOMBS = {
    "arrays in arrays": "x = " + "[" * 15_000,
    "tables in tables": "x = " + "{a=" * 5_000,
    "balanced tables": "x = " + "{a=" * 300 + "1" + "}" * 300,
    "key of many parts": "a." * 7_990 + "a = 1",
    "key of many quoted parts": '"a".' * 3_990 + "a = 1",
    "table of many parts": "[" + "a." * 7_900 + "a]",
    "many tables": "".join(f"[a{i}]\n" for i in range(2000)),
    "table again and again": "[[a]]\n" * 2600,
    "tables ever deeper": "".join(f"[[{'.'.join('a' * i)}]]\n" for i in range(1, 100)),
    "dotted keys": "".join(f"{'a.' * 40}k{i} = 1\n" for i in range(150)),
    "keys like the right one": "".join(f"orders{i} = 1\n" for i in range(1200)),
    "decimal digits": f"spectra.count = {'9' * 15_000}",
    "hexadecimal digits": f"spectra.count = 0x{'f' * 15_000}",
    "digits in a list": f"orders.outgoing = [[0, 0x{'f' * 15_000}]]",
    "exponent": f"spectra.lowest_hz = 1e{'9' * 15_000}",
    "wrong pairs": f"orders.outgoing = [{'[-1, -2],' * 1700}]",
    "wrong directions": f"exports.balloon = [{'[1, 200],' * 1700}]",
    "escapes": f'tables.rear_wall = "{chr(92)}u001b{chr(92)}n{chr(92)}u202e"',
    "escapes in a key": f'"{chr(92)}u001b{chr(92)}n{chr(92)}u202e" = 1',
    "time of day": "spectra.lowest_hz = 07:32:00",
    "byte order mark": "\ufeff[spectra]",
    "too large": "#" * (MAX_SETTINGS_BYTES + 1),
}


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__name__)
@pytest.mark.parametrize("bomb", BOMBS)
def test_a_bomb_is_refused_soon(tmp_path: Path, bomb: str, model: type[BaseModel]) -> None:
    start = time.process_time()
    refused = load(tmp_path, BOMBS[bomb], model)

    assert time.process_time() - start < SECONDS
    assert isinstance(refused, UsageError)
    assert len(str(refused)) < 51 * (400 + len(str(tmp_path)))
