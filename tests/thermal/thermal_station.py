"""Settings of small stations for the thermal tests. No equations here."""

from __future__ import annotations

from typing import Any

from collector.settings.model import Settings

ONAF_250 = {  # IEC 60076-7 worked example, 250 MVA ONAF (from memory)
    "x": 0.8,
    "y": 1.3,
    "k11": 0.5,
    "k21": 2.0,
    "k22": 2.0,
    "tau_o_min": 150.0,
    "tau_w_min": 7.0,
}


def mode(
    id: str = "ONAF",
    number: int = 1,
    cooling: str = "ONAF",
    rise: float = 38.3,
    r: float = 1000.0,
    **more: Any,
) -> dict[str, Any]:
    return {"id": id, "number": number, "cooling": cooling, "top_oil_rise_k": rise, "loss_ratio": r, **more}


def winding(
    id: str = "HV_A",
    number: int = 1,
    gradient: float = 14.5,
    h: float | None = 1.4,
    rated: float = 100.0,
    modes: dict[str, tuple[float, float]] | None = None,
    **more: Any,
) -> dict[str, Any]:
    at = modes or {"ONAF": (gradient, rated)}
    result: dict[str, Any] = {
        "id": id,
        "number": number,
        "hot_spot_factor": h,
        "modes": {m: {"gradient_k": g, "rated_current_a": a} for m, (g, a) in at.items()},
        **more,
    }
    if "derived_current" not in more:
        result["current"] = {"device": "d", "table": "input_register", "address": number, "type": "float32"}
    return result


def transformer(id: str = "T1", number: int = 1, **more: Any) -> dict[str, Any]:
    return {
        "id": id,
        "number": number,
        "design": "medium_large_onaf",
        "paper": "kraft",
        "normal_life_h": 180000.0,
        "life_criterion": "functional",
        "modes": (mode(),),
        "windings": (winding(),),
        "top_oil": {"device": "d", "table": "input_register", "address": 100, "type": "float32"},
        "ambient": {"device": "d", "table": "input_register", "address": 102, "type": "float32"},
        **more,
    }


def station(*transformers: dict[str, Any], gap_s: float = 1200.0) -> Settings:
    return Settings.model_validate(
        {
            "station": {"id": "TEST", "gap_s": gap_s},
            "links": ({"id": "l", "type": "tcp", "host": "127.0.0.1"},),
            "devices": ({"id": "d", "number": 1, "link": "l"},),
            "transformers": transformers or (transformer(),),
        }
    )
