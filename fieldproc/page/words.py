"""Numbers of a summary in words: no more digits than their intervals carry, and text that HTML can hold."""

from __future__ import annotations

import math
import unicodedata

from markupsafe import Markup, escape

from fieldproc.records import Scalar

# Single numbers in the order in which they are told; others follow under their own names.
SCALARS = {
    "sensitivity_2_83_v_1_m": "sensitivity, 2.83 V at 1 m",
    "characteristic_sensitivity_1_w_1_m": "characteristic sensitivity, 1 W at 1 m",
    "low_frequency_limit_3_db": "low-frequency limit, −3 dB",
    "low_frequency_limit_6_db": "low-frequency limit, −6 dB",
    "low_frequency_limit_10_db": "low-frequency limit, −10 dB",
    "effective_frequency_range_lowest": "effective range, lower end",
    "effective_frequency_range_highest": "effective range, upper end",
    "on_axis_highest_re_mean": "on axis, highest re mean",
    "on_axis_lowest_re_mean": "on axis, lowest re mean",
    "listening_window_highest_re_mean": "listening window, highest re mean",
    "listening_window_lowest_re_mean": "listening window, lowest re mean",
    "in_room_slope": "slope of the in-room estimate",
}
_UNKNOWN = "not known"
# The parser of HTML takes these for spaces or line breaks, all other controls for errors.
_KEPT = "\n\t"


def holdable(text: object) -> str:
    """The same text, with what no HTML document can hold (controls, lone surrogates, noncharacters) written out."""
    return "".join(
        character if character in _KEPT or _allowed(character) else character.encode("unicode_escape").decode()
        for character in str(text)
    )


def apart(text: object) -> Markup:
    """Text from a file as an element of its own: marks of writing direction in it end where it ends."""
    return Markup("<bdi>{}</bdi>").format(escape(holdable(text)))


def value_words(scalar: Scalar) -> str:
    """The value with two digits of its interval's half width, and its unit."""
    if not math.isfinite(scalar.value):
        return _UNKNOWN
    return f"{_number(scalar.value, _decimals(scalar))} {scalar.unit.replace('uPa', 'µPa')}"


def interval_words(scalar: Scalar) -> str:
    """The ends of the 95 % interval."""
    if not (math.isfinite(scalar.low) and math.isfinite(scalar.high)):
        return _UNKNOWN
    digits = _decimals(scalar)
    return f"{_number(scalar.low, digits)} to {_number(scalar.high, digits)}"


def hertz(frequency_hz: float) -> str:
    """A frequency with four digits."""
    if frequency_hz < 1000.0:
        return f"{frequency_hz:.4g} Hz"
    return f"{frequency_hz / 1000.0:.4g} kHz"


def measure(value: float) -> str:
    """A number of a table: one decimal, whole numbers without."""
    if not math.isfinite(value):
        return _UNKNOWN if math.isnan(value) else minus(f"{value:+}".replace("inf", "\N{INFINITY}"))
    return minus(f"{value:.0f}" if value == round(value) else f"{value:.1f}" if abs(value) >= 1.0 else f"{value:.2g}")


def minus(text: str) -> str:
    """With a true minus sign."""
    return text.replace("-", "\N{MINUS SIGN}")


def _allowed(character: str) -> bool:
    code = ord(character)
    noncharacter = 0xFDD0 <= code <= 0xFDEF or code & 0xFFFE == 0xFFFE
    return unicodedata.category(character) not in ("Cc", "Cs") and not noncharacter


def _number(value: float, decimals: int) -> str:
    return minus(f"{value:.{decimals}f}")


def _decimals(scalar: Scalar) -> int:
    half = (scalar.high - scalar.low) / 2.0
    if math.isfinite(half) and half > 0.0:
        return min(max(1 - math.floor(math.log10(half)), 0), 3)
    # without an interval: four digits of a large number, hundredths of a small one
    return 2 if abs(scalar.value) < 100.0 else max(0, 3 - math.floor(math.log10(abs(scalar.value))))
