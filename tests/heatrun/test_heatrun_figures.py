"""Figures and contradictions of a temperature-rise report, against hand computations.

Exponents, altitude steps and the linear law of resistance: IEC 60076-2, from memory.
"""

from __future__ import annotations

import copy
from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from collector.thermal import heatrun

REPORT: dict[str, Any] = {
    "transformer": {"id": "T9", "size": "medium", "paper": "kraft"},
    "altitude": {"test_m": 200.0, "site_m": 1800.0},
    "losses": {
        "no_load_kw": 20.0,
        "load": [{"tapping": "1", "kw": 160.0, "rated_mva": 40.0, "total_kw": 180.0}],
    },
    "windings": [{"id": "HV", "number": 1}, {"id": "LV", "number": 2, "hot_spot_factor": 1.25}],
    "modes": [
        {
            "id": "ONAN",
            "number": 1,
            "cooling": "ONAN",
            "rated_mva": 20.0,
            "tapping": "1",
            "oil_test": {"fed_loss_kw": 55.0, "top_oil_rise_k": 45.0, "bottom_oil_rise_k": 25.0},
            "windings": {
                "HV": {"rated_current_a": 100.0, "test_current_a": 96.0, "average_winding_rise_k": 44.0},
                "LV": {
                    "rated_current_a": 1000.0,
                    "test_current_a": 960.0,
                    "resistance": {
                        "cold_ohm": 0.0100,
                        "cold_c": 20.0,
                        "hot_ohm": 0.0118,
                        "average_oil_c": 56.0,
                    },
                },
            },
            "guaranteed": {},
        },
        {
            "id": "OFAF",
            "number": 2,
            "cooling": "OFAF",
            "needs": ["pump"],
            "rated_mva": 40.0,
            "tapping": "1",
            "oil_test": {
                "fed_loss_kw": 170.0,
                "ambient_c": 25.0,
                "top_oil_c": 66.0,
                "average_oil_rise_k": 37.0,
            },
            "windings": {
                "HV": {
                    "rated_current_a": 200.0,
                    "test_current_a": 190.0,
                    "average_winding_rise_k": 51.0,
                    "hot_spot_rise_k": 60.6,
                },
                "LV": {"rated_current_a": 2000.0, "average_winding_rise_k": 52.0},
            },
        },
    ],
}


def tuples(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: tuples(item) for key, item in value.items()}
    return tuple(map(tuples, value)) if isinstance(value, list) else value


def derive(report: dict[str, Any]) -> tuple[heatrun.Derived | None, tuple[heatrun.Finding, ...]]:
    return heatrun.derive(heatrun.Report.model_validate(tuples(report)))


def changed(path: str, value: Any) -> dict[str, Any]:
    report = copy.deepcopy(REPORT)
    *steps, last = [int(key) if key.isdigit() else key for key in path.split(".")]
    node: Any = report
    for step in steps:
        node = node[step]
    if value is None:
        del node[last]
    else:
        node[last] = value
    return report


def test_figures_agree_with_a_hand_computation() -> None:
    derived, findings = derive(REPORT)
    assert derived is not None
    assert findings == ()
    onan, ofaf = derived.modes["ONAN"], derived.modes["OFAF"]
    # Load loss at half the power is a quarter: 160 / 4 = 40 kW; R = 40 / 20 = 2; total 60 kW.
    assert onan.loss_ratio.value == 2.0
    assert onan.total_kw == 60.0
    # Top oil: 45 K x (60 / 55)^0.9 = 45 x 1.081456 = 48.666 K; + (1800 - 1000) / 400 = 2 K.
    assert onan.top_oil_rise.value == pytest.approx(50.67, abs=0.006)
    # HV gradient: 44 - (45 + 25) / 2 = 9 K at 96 A; x (100 / 96)^1.6 = 9 x 1.067488 = 9.607 K.
    assert onan.windings["HV"].gradient.value == pytest.approx(9.61, abs=0.006)
    # LV: 0.0118 / 0.0100 x (235 + 20) - 235 = 65.9 degC; - 56 = 9.9 K; x 1.067488 = 10.568 K.
    assert onan.windings["LV"].gradient.value == pytest.approx(10.57, abs=0.006)
    # OFAF: R = 160 / 20 = 8. Top oil (66 - 25) = 41 K x (180 / 170)^1.0 = 43.412; + 800 / 250 = 3.2 K.
    assert ofaf.loss_ratio.value == 8.0
    assert ofaf.top_oil_rise.value == pytest.approx(46.61, abs=0.006)
    # HV: 51 - 37 = 14 K x (200 / 190)^1.6 = 14 x 1.085530 = 15.197 K; H = (60.6 - 41) / 14 = 1.4.
    assert ofaf.windings["HV"].gradient.value == pytest.approx(15.20, abs=0.006)
    assert derived.hot_spot_factor["HV"].value == 1.4
    assert derived.hot_spot_factor["LV"].value == 1.25
    # LV at rated current: no correction. Average winding at the site: 37 x 180 / 170 + 3.2 + 15 = 57.376 K.
    assert ofaf.windings["LV"].gradient.value == 15.0
    assert ofaf.windings["LV"].average_winding_rise_k == pytest.approx(57.376, abs=0.001)


def test_losses_are_referred_to_one_temperature_when_the_i2r_part_is_known() -> None:
    # 100 kW at 85 degC, 80 of them I2R: x 310 / 320 = 77.5; stray 20 x 320 / 310 = 20.645: 98.145 kW at 75.
    loss = heatrun.LoadLoss(
        tapping="1", kw=100.0, rated_mva=10.0, reference_c=85.0, i2r_kw=80.0, total_kw=None
    )
    assert heatrun.load_loss_at(loss, 75.0, "copper") == pytest.approx(98.145, abs=0.001)
    unknown = loss.model_copy(update={"i2r_kw": None})
    assert heatrun.load_loss_at(unknown, 75.0, "copper") is None


def test_exponents_and_altitude_by_cooling() -> None:
    assert [heatrun.oil_exponent(c, "medium") for c in ("ONAN", "ONAF", "OFAF", "ODAF")] == [
        0.9,
        0.9,
        1.0,
        1.0,
    ]
    assert heatrun.oil_exponent("ONAN", "distribution") == 0.8
    assert [heatrun.winding_exponent(c) for c in ("ONAN", "OFAF", "ODAF")] == [1.6, 1.6, 2.0]
    assert heatrun.altitude_k("ONAN", 0.0, 900.0) == 0.0
    assert heatrun.altitude_k("OFAN", 0.0, 1400.0) == 1.0  # outside cooling natural: 400 m
    assert heatrun.altitude_k("ONAF", 2000.0, 0.0) == -4.0


@pytest.mark.parametrize(
    ("path", "value", "where", "words"),
    [
        (
            "modes.1.windings.HV.hot_spot_rise_k",
            50.0,
            "modes.1.windings.HV.hot_spot_rise_k",
            "hot spot below average winding",
        ),
        (
            "modes.1.windings.HV.hot_spot_rise_k",
            52.0,
            "modes.1.windings.HV.hot_spot_rise_k",
            "hot-spot factor",
        ),
        ("modes.0.windings.HV.average_winding_rise_k", 34.0, "modes.0.windings.HV", "negative gradient"),
        ("modes.1.oil_test.average_oil_rise_k", 43.0, "modes.1.oil_test", "average oil above top oil"),
        ("modes.0.oil_test.bottom_oil_rise_k", 46.0, "modes.0.oil_test", "bottom oil above top oil"),
        ("modes.1.oil_test.top_oil_c", 24.0, "modes.1.oil_test.top_oil_c", "not above the ambient"),
        ("modes.1.oil_test.ambient_c", None, "modes.1.oil_test.top_oil_c", "needs ambient_c"),
        ("losses.load.0.total_kw", 190.0, "losses.load.0.total_kw", "losses inconsistent"),
        ("losses.load.0.i2r_kw", 170.0, "losses.load.0.i2r_kw", "more than the load loss"),
        ("losses.load.0.reference_c", 85.0, "losses.load.0.reference_c", "give i2r_kw"),
        ("modes.0.tapping", "7", "modes.0.tapping", "one of 1"),
        (
            "modes.0.windings.LV.resistance.hot_ohm",
            0.0099,
            "modes.0.windings.LV.resistance.hot_ohm",
            "not above",
        ),
        (
            "modes.0.windings.LV.average_winding_rise_k",
            50.0,
            "modes.0.windings.LV.average_winding_rise_k",
            "contradicts the resistances",
        ),
        ("modes.1.oil_test.top_oil_rise_k", 44.0, "modes.1.oil_test.top_oil_rise_k", "contradicts"),
        ("modes.0.windings.LV.resistance", None, "modes.0.windings.LV", "no average winding temperature"),
        ("windings.1.id", "TV", "modes.0.windings.LV", "unknown winding"),
        ("windings.1.number", 1, "windings.1.number", "also taken by HV"),
        ("transformer.liquid", "natural_ester", "modes.0.model", "tau_o_min"),
        ("windings.0.phases", ["A", "A"], "windings.0.phases", "twice"),
        ("windings.0.number", 99, "windings.0", "less than or equal to 24"),
        ("modes.1.oil_test.fed_loss_kw", 60.0, "modes.1", "top_oil_rise_k comes out as 126.2"),
        ("modes.1.windings.LV.test_current_a", 600.0, "windings.1", "usually 3 to 35"),
    ],
)
def test_a_report_that_contradicts_itself_is_told_so_and_gives_no_figures(
    path: str, value: Any, where: str, words: str
) -> None:
    derived, findings = derive(changed(path, value))
    assert derived is None
    fatal = [f for f in findings if f.fatal]
    assert any(".".join(map(str, f.path)) == where and words in f.message for f in fatal), findings


@pytest.mark.parametrize(
    ("path", "value", "where", "words"),
    [
        ("modes.1.oil_test.fed_loss_kw", 140.0, "modes.1.oil_test.fed_loss_kw", "indicative only"),
        (
            "modes.1.windings.HV.test_current_a",
            170.0,
            "modes.1.windings.HV.test_current_a",
            "indicative only",
        ),
        (
            "modes.1.guaranteed",
            {"top_oil_rise_k": 46.0},
            "modes.1.guaranteed.top_oil_rise_k",
            "above the guarantee",
        ),
        (
            "modes.1.guaranteed",
            {"average_winding_rise_k": 57.0},
            "modes.1.guaranteed.average_winding_rise_k",
            "57.4 K",
        ),
        (
            "modes.1.guaranteed",
            {"hot_spot_rise_k": 65.0},
            "modes.1.guaranteed.hot_spot_rise_k",
            "65.4 K of LV",
        ),
        (
            "modes.1.windings.LV.rated_current_a",
            1900.0,
            "modes.1.windings.LV.rated_current_a",
            "about 2000 A",
        ),
        ("windings.0.hot_spot_factor", 1.1, "windings.0.hot_spot_factor", "measured 1.4"),
        ("modes.0.windings.HV.hot_spot_rise_k", 54.9, "windings.0.hot_spot_factor", "differ between modes"),
        ("losses.no_load_kw", 7.0, "losses", "usually 1 to 20"),
    ],
)
def test_what_is_only_doubtful_is_a_warning_and_the_figures_stand(
    path: str, value: Any, where: str, words: str
) -> None:
    report = changed(path, value)
    if path == "losses.no_load_kw":
        report["losses"]["load"][0]["total_kw"] = 167.0
        report["modes"][0]["oil_test"]["fed_loss_kw"] = 47.0
    derived, findings = derive(report)
    assert derived is not None
    assert any(".".join(map(str, f.path)) == where and words in f.message for f in findings), findings


@pytest.mark.parametrize(
    ("top_oil_c", "lv_rise_k", "where"),
    [(66.0, 47.0, None), (76.0, 57.0, "modes.1.oil_test"), (66.0, 60.0, "modes.1.windings.LV")],
)
def test_more_cooling_with_more_rise_at_equal_amperes_is_a_fault(
    top_oil_c: float, lv_rise_k: float, where: str | None
) -> None:
    """Both modes at 20 MVA. ONAN: oil 50.7 K, LV hot spot 50.7 + 1.25 x 10.57 = 63.9 K.

    OFAF at 60 kW, + 3.2 K altitude: oil 44.2 or 54.2 K; LV hot spot 44.2 + 1.25 x (47 - 37) = 56.7 K,
    or with an average rise of 60 K: 44.2 + 1.25 x 23 = 73.0 K.
    """
    report = copy.deepcopy(REPORT)
    mode = report["modes"][1]
    mode["rated_mva"] = 20.0
    mode["oil_test"] = {"ambient_c": 25.0, "top_oil_c": top_oil_c, "average_oil_rise_k": 37.0}
    mode["windings"] = {
        "HV": {"rated_current_a": 100.0, "average_winding_rise_k": 42.0, "hot_spot_rise_k": top_oil_c - 18.0},
        "LV": {"rated_current_a": 1000.0, "average_winding_rise_k": lv_rise_k},
    }
    derived, findings = derive(report)
    found = [".".join(map(str, f.path)) for f in findings if "more cooling but more rise" in f.message]
    assert found == ([] if where is None else [where])
    assert (derived is None) == (where is not None)


_outcomes: Counter[str] = Counter()


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_whatever_a_report_holds_is_answered_by_findings_or_by_a_block_that_settings_accept(
    data: st.DataObject,
) -> None:
    """One to three figures replaced by any of the shape; never an exception, never a block of nonsense."""
    report = copy.deepcopy(REPORT)
    figures = list(_numbers(report))
    for place in data.draw(st.lists(st.sampled_from(figures), min_size=1, max_size=3)):
        *steps, last = place
        node: Any = report
        for step in steps:
            node = node[step]
        node[last] *= data.draw(st.sampled_from([0.001, 0.3, 0.8, 0.97, 1.03, 1.3, 3.0, 40.0]))
    try:
        shaped = heatrun.Report.model_validate(tuples(report))
    except ValidationError:
        return
    derived, findings = heatrun.derive(shaped)
    assert (derived is None) == any(f.fatal for f in findings)
    _outcomes["block" if derived is not None else "refused"] += 1
    if derived is not None:
        heatrun.settings_sketch(derived)
        heatrun.table(derived, 20.0)


def test_the_search_above_met_both_outcomes() -> None:
    print(dict(_outcomes))
    assert not _outcomes or (_outcomes["block"] > 0 and _outcomes["refused"] > 0)


def _numbers(node: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    for key, value in node.items() if isinstance(node, dict) else enumerate(node):
        if isinstance(value, float):
            yield (*path, key)
        elif isinstance(value, dict | list):
            yield from _numbers(value, (*path, key))


def test_the_report_of_the_other_tests_is_clean() -> None:
    """Control of the two above: unchanged, nothing is found."""
    assert derive(REPORT)[1] == ()
