"""Where a register reference points, and how many registers a type takes. Pure tables, no values."""

from __future__ import annotations

#: Registers (16 bit) one value takes.
WORDS = {
    "bool": 1, "int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "int64": 4, "uint64": 4,
    "bcd16": 1, "bcd32": 2, "sign_magnitude16": 1, "sign_magnitude32": 2, "float32": 2, "float64": 4,
}  # fmt: skip
#: Types of which some bits may be a value by themselves.
BIT_FIELD_TYPES = ("int16", "uint16", "int32", "uint32")

_TABLES = {0: "coil", 1: "discrete_input", 3: "input_register", 4: "holding_register"}


def split_reference(reference: int) -> tuple[str, int] | None:
    """(table, zero-based address) of a 5 or 6 digit reference; None when it is none.

    An integer keeps no leading zeros, so coils are 1 to 9999 only. Common practice, no source.
    """
    base = 10_000 if reference < 100_000 else 100_000
    table, number = _TABLES.get(reference // base), reference % base
    if table is None or not 1 <= number <= 65_536 or (table == "coil" and base == 100_000):
        return None
    return table, number - 1
