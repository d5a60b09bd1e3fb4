"""A unit at the limit of its guarantee is no faulty unit.

IEC 60076-2, from memory: 60 K top oil and 78 K hot spot at rated load, ambient up to 40 °C. That is 118 °C,
above an alarm at 110 °C that is common practice: worth a warning. Only above high-high something must be
wrong.
"""

from __future__ import annotations

import pytest

from collector.settings import Loaded, example, load_bytes

DEMO = example("demo.yaml").read_text("utf-8")


def unit(top_oil_rise_k: float, gradient_k: float, **alarms: float) -> Loaded:
    """The demo with these figures in its strongest mode, H = 1.3."""
    text = DEMO.replace("top_oil_rise_k: 47.0", f"top_oil_rise_k: {top_oil_rise_k}")
    text = text.replace("ONAF2: {gradient_k: 15.0,", f"ONAF2: {{gradient_k: {gradient_k},")
    text = text.replace("ONAF2: {gradient_k: 15.8,", f"ONAF2: {{gradient_k: {gradient_k},")
    for key, value in alarms.items():
        start = text.index(f"{key}: ")
        text = text[:start] + f"{key}: {value}" + text[text.index("\n", start) :]
    return load_bytes(text.encode(), "s.yaml")


def told(found: Loaded) -> list[tuple[str, str]]:
    return [
        (f.severity, f.message) for f in (*found.faults, *found.remarks) if f.path.endswith("top_oil_rise_k")
    ]


def test_at_the_guarantee_limit_it_is_a_warning() -> None:
    """Red before: 60 K + 18 K at 40 °C was refused against an alarm of 110."""
    found = unit(60.0, 18.0 / 1.3)
    assert found.settings is not None, found.faults
    ((severity, words),) = told(found)
    assert severity == "warning"
    assert "118.0 °C" in words
    assert "above hot_spot_high_c 110" in words


@pytest.mark.parametrize(
    ("oil_k", "gradient_k", "alarm"),
    [(62.0, 18.0, "hot_spot_high_high_c 125"), (66.0, 10.0, "top_oil_high_high_c 105")],
)
def test_above_high_high_it_is_a_fault(oil_k: float, gradient_k: float, alarm: str) -> None:
    """Of oil too, whose fault a warning about the hot spot does not hide."""
    found = unit(oil_k, gradient_k)
    assert found.settings is None
    assert [severity for severity, _ in told(found)] == ["fault"]
    assert alarm in told(found)[0][1]


def test_below_the_alarms_nothing_is_said() -> None:
    assert told(unit(47.0, 15.0)) == []
