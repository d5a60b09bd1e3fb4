"""Settings of a station of any size, as text. It shares no code with the product, and measures nothing.

``python tests/large_station.py 60 > large.yaml``
"""

from __future__ import annotations

import sys

PER_TRANSFORMER = ("oil", "cts", "relays", "cabinet")


def text(transformers: int = 60, unit: int = 1) -> str:
    """Each transformer with four devices on a link of its own, three windings and two stages of fans."""
    lines = ["station: {id: LARGE, cycle_s: 2.0, data_dir: /var/lib/windingd}", f"scada: {{unit: {unit}}}"]
    lines.append("links:")
    lines += [f"  - {{id: lan{t}, type: tcp, host: 10.0.{t}.1}}" for t in range(1, transformers + 1)]
    lines.append("devices:")
    for t in range(1, transformers + 1):
        for i, what in enumerate(PER_TRANSFORMER):
            more = (
                ", relay_module: {released_by: module_timeout, timeout_s: 10.0}" if what == "relays" else ""
            )
            number = (t - 1) * len(PER_TRANSFORMER) + i + 1
            lines.append(
                f"  - {{id: {what}{t}, number: {number}, link: lan{t}, unit: {i + 1}, poll_s: 5.0{more}}}"
            )
    lines.append("transformers:")
    for t in range(1, transformers + 1):
        lines += _transformer(t)
    return "\n".join(lines) + "\n"


def _transformer(t: int) -> list[str]:
    def bit(address: int) -> str:
        return f"{{device: cabinet{t}, table: discrete_input, address: {address}}}"

    def temperature(address: int) -> str:
        return f"{{device: oil{t}, table: input_register, address: {address}, type: int16, scale: 0.1}}"

    lines = [
        f"  - id: T{t}",
        f"    number: {t}",
        "    design: medium_large_onaf",
        "    paper: kraft",
        "    normal_life_h: 102700.0",
        "    life_criterion: functional life",
        f"    top_oil: {temperature(0)}",
        f"    ambient: {temperature(1)}",
        "    backstop: {limit_c: 90.0, last_test: '2026-05-12'}",
        "    modes:",
        "      - {id: ONAN, number: 1, cooling: ONAN, design: medium_large_onan, top_oil_rise_k: 50.0, "
        "loss_ratio: 3.0}",
        "      - {id: ONAF, number: 2, cooling: ONAF, needs: [stage1], top_oil_rise_k: 48.0, "
        "loss_ratio: 6.75}",
        "    windings:",
    ]
    for w, phase in enumerate("ABC", 1):
        lines += [
            f"      - id: HV_{phase}",
            f"        number: {w}",
            f"        phase: {phase}",
            f"        current: {{device: cts{t}, table: input_register, address: {2 * w}, type: float32}}",
            "        modes:",
            "          ONAN: {gradient_k: 10.0, rated_current_a: 200.0}",
            "          ONAF: {gradient_k: 15.0, rated_current_a: 300.0}",
        ]
    lines.append("    stages:")
    for s, pickup in ((1, 60), (2, 70)):
        lines += [
            f"      - id: stage{s}",
            f"        number: {s}",
            f"        relay: {{device: relays{t}, coil: {s}}}",
            f"        feedback: {bit(s)}",
            f"        cabinet: {{selector_auto: {bit(10 + s)}, breaker_closed: {bit(20 + s)}}}",
            f"        pickup: {{top_oil_c: {pickup}.0, hot_spot_c: {pickup + 15}.0}}",
            f"        dropout: {{top_oil_c: {pickup - 10}.0, hot_spot_c: {pickup + 5}.0}}",
        ]
    return lines


if __name__ == "__main__":
    print(text(*map(int, sys.argv[1:])), end="")
