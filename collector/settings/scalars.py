"""What a written scalar means: number, truth value or text. The YAML 1.1 traps end here.

A scalar is read as its writer clearly meant it, or refused with how to write it; it is never read as
something else. Nothing here knows keys or ranges.
"""

from __future__ import annotations

import re

from collector.settings.nodes import Scalar, shown

_INT = re.compile(r"[-+]?(0|[1-9][0-9]*)")
_HEX = re.compile(r"[-+]?0x[0-9a-fA-F]+")
_ZEROS = re.compile(r"[-+]?0[0-9]+")
_OCTAL = re.compile(r"[-+]?0o[0-7]+|[-+]?0b[01]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_GROUPED = re.compile(r"[-+]?[0-9][0-9_]*_[0-9_]*(\.[0-9_]*)?")
_SEXAGESIMAL = re.compile(r"[-+]?[0-9]+(:[0-5]?[0-9])+(\.[0-9]*)?")
_DATE = re.compile(r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}([Tt ].*)?")
_NOT_FINITE = re.compile(r"[-+]?\.?(inf|infinity)|\.?nan", re.IGNORECASE)
_DECIMAL_COMMA = re.compile(r"[-+]?[0-9]+,[0-9]+")
_WITH_UNIT = re.compile(r"([-+]?[0-9]+(?:\.[0-9]+)?)\s*([^\W\d_]|°|%).*")
_TRUTH = {"true": True, "false": False}
_TRUTH_1_1 = {"yes": "true", "on": "true", "no": "false", "off": "false", "y": "true", "n": "false"}
_NULL = {"null", "~"}


class Unclear(Exception):
    """The scalar cannot be read; the message says what is wrong and what to write."""


def is_null(scalar: Scalar) -> bool:
    """An explicit null. An empty value is not one: it is a forgotten value."""
    return scalar.plain and scalar.text.lower() in _NULL


def truth(scalar: Scalar) -> bool:
    word = scalar.text.lower()
    if scalar.plain and word in _TRUTH:
        return _TRUTH[word]
    meant = word if word in _TRUTH else _TRUTH_1_1.get(word)
    hint = f"write {meant}" if meant else "write true or false, without quotes"
    raise Unclear(f"{_quoted(scalar)} is not true or false ({hint})")


def number(scalar: Scalar, whole: bool, leading_zeros: bool = False) -> int | float:
    """An int (decimal or 0x hex) or, unless `whole`, a finite float.

    leading_zeros: read 00001 as 1, for references such as 00001, which are written so in the trade.
    """
    text = scalar.text
    kind = "a whole number" if whole else "a number"
    if not scalar.plain:
        hint = f"write {shown(text)} without quotes" if _FLOAT.fullmatch(text) else f"write {kind}"
        raise Unclear(f"{_quoted(scalar)} is a text, not {kind} ({hint})")
    if len(text) > 40:
        raise Unclear(f"{shown(text)} is not {kind} that any key takes")
    if _INT.fullmatch(text):
        return int(text)
    if _HEX.fullmatch(text):
        return int(text, 16)
    if _ZEROS.fullmatch(text):
        if leading_zeros:
            return int(text, 10)
        plain = str(int(text, 10))
        raise Unclear(
            f"{text} begins with 0, which some YAML readers take for octal (write {plain} for {plain} "
            "decimal)"
        )
    if _OCTAL.fullmatch(text):
        raise Unclear(f"{text} is octal or binary (write {int(text, 0)}, or {hex(int(text, 0))})")
    if _FLOAT.fullmatch(text):
        value = float(text)
        if value in (float("inf"), float("-inf")):
            raise Unclear(f"{text} is too large for a number")
        if whole and value.is_integer():
            raise Unclear(f"{text} is not written as a whole number (write {int(value)})")
        if whole:
            raise Unclear(f"{text} is not a whole number")
        return value
    raise Unclear(_not_a_number(scalar, kind))


def _not_a_number(scalar: Scalar, kind: str) -> str:
    text = scalar.text
    if _GROUPED.fullmatch(text):
        return f"{text} has underscores, which not every YAML reader skips (write {text.replace('_', '')})"
    if _SEXAGESIMAL.fullmatch(text):
        return (
            f"{text} is read by some YAML readers as a number to base 60 (write one {kind[2:]} in the "
            "unit of the key)"
        )
    if _NOT_FINITE.fullmatch(text):
        return f"{text} is not a finite number (write {kind})"
    if _DECIMAL_COMMA.fullmatch(text):
        return f"{text} has a decimal comma (write {text.replace(',', '.')})"
    unit = _WITH_UNIT.fullmatch(text)
    if unit:
        return f"{shown(text)} carries a unit (write {unit.group(1)}; the unit is in the name of the key)"
    return f"{_quoted(scalar)} is not {kind}"


def text(scalar: Scalar) -> str:
    """A text. Unquoted text that some YAML reader takes for something else is refused."""
    value = scalar.text
    if not scalar.plain:
        return value
    word = value.lower()
    if word in _TRUTH or (word in _TRUTH_1_1 and len(word) > 1) or word in _NULL:
        what = "a truth value or null"
    elif _DATE.fullmatch(value):
        what = "a date"
    elif any(p.fullmatch(value) for p in (_FLOAT, _HEX, _OCTAL, _GROUPED, _SEXAGESIMAL, _NOT_FINITE)):
        what = "a number"
    else:
        return value
    raise Unclear(f'{shown(value)} is read by YAML as {what} (for the text, write "{shown(value)}")')


def _quoted(scalar: Scalar) -> str:
    return f'"{shown(scalar.text)}"'
