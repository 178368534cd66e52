"""Closed models: a file of settings says what it means, or is refused with every bad key named."""

from __future__ import annotations

import difflib
import re
import reprlib
import tomllib
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from fieldproc.errors import UsageError

Vector = tuple[float, float, float]
Band = tuple[Annotated[float, Field(gt=0)], Annotated[float, Field(gt=0)]]
Model = TypeVar("Model", bound=BaseModel)

# Settings files are small; a larger one is a mistake or an attack.
MAX_SETTINGS_BYTES = 16_000
# The parser takes the square of the number of parts of a key, and ours have three.
_DEEPEST = 16
_DEEP_KEY = re.compile(rf"(?:^|[{{,\n])[ \t\[]*(?:[A-Za-z0-9_-]+[ \t]*\.[ \t]*){{{_DEEPEST - 1}}}")
# Bad keys named at once; a file that has more of them is not one of ours.
_MOST_TOLD = 50
# Of a key or value as it is told; the longest key of ours has 40 letters.
_REPR = reprlib.Repr()
_REPR.maxstring = 60


class ClosedModel(BaseModel):
    """A model that takes no unknown key, no change, and no number that is not finite."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def rising(band: Band) -> Band:
    """The band, if it goes upwards; ``ValueError`` if not."""
    if band[0] >= band[1]:
        raise ValueError("a band goes from a lower to a higher frequency")
    return band


def load_model(path: Path, model: type[Model]) -> Model:
    """A closed model from a TOML file. ``UsageError`` names every bad key at once (50 at most)."""
    try:
        if path.stat().st_size > MAX_SETTINGS_BYTES:
            raise UsageError(f"{path}: larger than {MAX_SETTINGS_BYTES} bytes; this is no settings file")
        text = path.read_text(encoding="utf-8")
        if _DEEP_KEY.search(text):
            raise UsageError(f"{path}: a key of {_DEEPEST} parts or more; this is no settings file")
        document = tomllib.loads(text)
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror}); give an existing TOML file") from error
    except (ValueError, RecursionError) as error:
        raise UsageError(f"{path}: not valid TOML ({error})") from error
    try:
        return model.model_validate(document)
    except ValidationError as error:
        lines = _explain(error, model)
        more = [f"and {len(lines) - _MOST_TOLD} more"] if len(lines) > _MOST_TOLD else []
        raise UsageError("\n".join(f"{path}: {line}" for line in lines[:_MOST_TOLD] + more)) from error


def _explain(error: ValidationError, model: type[BaseModel]) -> list[str]:
    """One line per bad key: where, what was found, and the nearest known key if it looks like a typo."""
    unknown: list[str] = []
    wrong: dict[str, list[Any]] = {}
    for detail in error.errors():
        keys = [_REPR.repr(str(part))[1:-1] for part in detail["loc"]]
        if detail["type"] == "extra_forbidden":
            known = _known_keys(model, keys[:-1])
            near = difflib.get_close_matches(keys[-1], known, n=1)
            hint = f"did you mean {near[0]}?" if near else f"known keys: {', '.join(known)}"
            unknown.append(f"unknown setting {'.'.join(keys)}" + (f"; {hint}" if known else ""))
            continue
        # a key that takes one of several forms fails once per form; the forms' own names mean nothing here
        where = [key for depth, key in enumerate(keys) if key in _known_keys(model, keys[:depth])] or keys
        wrong.setdefault(".".join(where), []).append(detail)
    return unknown + [
        f"setting {where}: {'; or '.join(dict.fromkeys(detail['msg'] for detail in details))} "
        f"(found {_shown(details[0]['input'])})"
        for where, details in wrong.items()
    ]


def _shown(value: Any) -> str:
    """A value as a person can read it, cut short."""
    try:
        return _REPR.repr(value)
    except ValueError:
        # written in hexadecimal: too long for Python to write in decimal
        return "a number of thousands of digits"


def _known_keys(model: type[BaseModel], path: list[str]) -> list[str]:
    """Keys of the model at a path of keys; none where the path leads through anything but models."""
    for key in path:
        field = model.model_fields.get(key)
        annotation = None if field is None else field.annotation
        if not (isinstance(annotation, type) and issubclass(annotation, BaseModel)):
            return []
        model = annotation
    return list(model.model_fields)
