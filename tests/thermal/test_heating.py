"""What a delay of the cooling costs in kelvin, beside the closed solution of IEC 60076-7 for a step."""

from __future__ import annotations

from math import exp
from pathlib import Path

import pytest

from collector.commands.main import main
from collector.settings import load
from collector.thermal.heating import highest_load_pu, hot_spot_rises_k

CONFIG = Path(__file__).parents[2] / "config"
#: The parameter set of medium and large ONAN units in IEC 60076-7, from memory.
X, Y, K11, K21, K22, TAU_O_MIN, TAU_W_MIN = 0.8, 1.3, 0.5, 2.0, 2.0, 210.0, 10.0
H = 1.3


def test_rise_after_a_step_is_the_closed_solution() -> None:
    """The demo's unit in its weakest mode, every winding by hand."""
    settings = load(CONFIG / "demo.yaml").settings
    assert settings is not None
    assert highest_load_pu(settings, 0) == 1.8  # medium power transformer, short-time emergency
    t = settings.transformers[0]
    weak, full = t.modes[0], t.modes[-1]

    def rise(w: object, after_s: float) -> float:
        minutes, mode = after_s / 60.0, w.modes[weak.id]  # type: ignore[attr-defined]
        k = 1.8 * w.modes[full.id].rated_current_a / mode.rated_current_a  # type: ignore[attr-defined]
        quick = K21 * (1 - exp(-minutes / (K22 * TAU_W_MIN)))
        slow = (K21 - 1) * (1 - exp(-minutes * K22 / TAU_O_MIN))
        r = weak.loss_ratio
        oil = weak.top_oil_rise_k * (((1 + r * k * k) / (1 + r)) ** X - 1)
        return H * mode.gradient_k * (k**Y - 1) * (quick - slow) + oil * (
            1 - exp(-minutes / (K11 * TAU_O_MIN))
        )

    expected = [max(rise(w, after_s) for w in t.windings) for after_s in (60.0, 300.0)]
    assert hot_spot_rises_k(settings, 0, (60.0, 300.0)) == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("stale_after_s", [30.0, 290.0])
def test_check_shows_the_cost_and_warns_of_more_than_there_is(
    stale_after_s: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """From the last pickup of 95 to the alarm at 110 °C there are 15 K."""
    text = (CONFIG / "demo.yaml").read_text("utf-8")
    path = tmp_path / "s.yaml"
    path.write_text(text.replace("stale_after_s: 30.0", f"stale_after_s: {stale_after_s}"))
    assert main(["check", str(path)]) == 0
    out = capsys.readouterr().out
    assert "From hot oil to fans" in out
    assert "1.8 pu (T1)" in out
    warned = "the hot spot rises 23 K meanwhile at 1.8 pu, more than the 15 K" in out
    assert warned is (stale_after_s > 30.0), out


def test_check_names_what_goes_unread(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A module that any frame on its line feeds takes its neighbours along."""
    text = (CONFIG / "small_serial.yaml").read_text("utf-8")
    path = tmp_path / "s.yaml"
    keys = "released_by: watchdog_relay, timeout_s: 30.0"
    assert keys in text
    path.write_text(text.replace(keys, f"{keys}, fed_by: any_frame_on_line"))
    assert main(["check", str(path)]) == 0
    told = "While relay is left alone, up to 33 s at a time, transmitter, meter cannot be read"
    assert told in capsys.readouterr().out
