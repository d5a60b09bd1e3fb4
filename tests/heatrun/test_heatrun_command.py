"""`windingd heatrun`: faults with file and line, the pasted block, and the table against the live step."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from collector.commands.heatrun import read
from collector.commands.main import main
from collector.settings import load
from collector.thermal import heatrun
from collector.thermal.model import compile_model
from collector.thermal.track import Sample, advance, initial

ROOT = Path(__file__).parents[2]
T1 = ROOT / "config" / "heatrun_hollowbeck_t1.yaml"
T2 = ROOT / "config" / "heatrun_hollowbeck_t2.yaml"
DEMO = ROOT / "config" / "demo.yaml"


def derived(path: Path) -> heatrun.Derived:
    figures, remarks = read(path)
    assert figures is not None, remarks
    assert remarks == []
    return figures


def test_the_block_pasted_into_the_demo_settings_passes_check(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    block = tmp_path / "block.yaml"
    assert main(["heatrun", str(T1), "--settings", str(DEMO), "--output", str(block)]) == 0
    assert capsys.readouterr().err == ""
    lines = DEMO.read_text().splitlines(keepends=True)
    start, end = lines.index("    modes:\n"), lines.index("    stages:\n")
    station = tmp_path / "station.yaml"
    station.write_text("".join([*lines[:start], block.read_text(), *lines[end:]]))
    before, after = load(DEMO).settings, load(station)
    assert after.faults == []
    assert after.settings is not None
    assert before is not None
    old, new = before.transformers[0], after.settings.transformers[0]
    for was, now in zip(old.windings, new.windings, strict=True):  # what a report does not know is kept
        assert (now.id, now.number, now.phase, now.kind) == (was.id, was.number, was.phase, was.kind)
        assert (now.current, now.derived_current, now.fibre_probe) == (
            was.current,
            was.derived_current,
            was.fibre_probe,
        )
    # By hand: ONAF2,  162 kW, 158 fed: 46.0 x (162 / 158)^0.9 = 47.05 K; HV 14.7 x (210 / 207.5)^1.6 = 14.98;
    # H = (65.1 - 46.0) / 14.7 = 1.299; LV 7.579 / 6.310 x 256 - 235 - 57 = 15.48, x 1.0193 = 15.78 K; R = 8.
    assert [m.top_oil_rise_k for m in new.modes] == [49.94, 48.0, 47.05]
    assert [m.loss_ratio for m in new.modes] == [2.88, 5.12, 8.0]
    hv, lv = new.windings[0], new.windings[3]
    assert (hv.hot_spot_factor, lv.hot_spot_factor) == (1.299, 1.3)
    assert [hv.modes[m].gradient_k for m in ("ONAN", "ONAF1", "ONAF2")] == [8.0, 11.5, 14.98]
    assert lv.modes["ONAF2"].gradient_k == 15.78


def test_every_figure_in_the_block_stands_under_its_derivation() -> None:
    lines = heatrun.block(derived(T2)).splitlines()
    keys = ("top_oil_rise_k:", "loss_ratio:", "gradient_k:", "hot_spot_factor:")
    figures = [i for i, line in enumerate(lines) if line.strip().startswith(keys)]
    assert len(figures) == 2 * 2 + 2 * 2 + 2
    assert all(lines[i - 1].strip().startswith("# ") for i in figures)
    text = "\n".join(lines)
    # 500 x 310 / 320 + 110 x 320 / 310 = 484.375 + 113.548 = 597.9 kW at 75 degC, as the settings state it.
    assert "597.9 kW" in text
    assert "+2.00 K for altitude" in text
    assert "(466.5 / 440)^2" in text


@pytest.mark.parametrize("path", [T1, T2])
@pytest.mark.parametrize("ambient_c", [20.0, -5.0])
def test_the_table_equals_an_independent_computation(path: Path, ambient_c: float) -> None:
    """Steady state written out with the exponents of IEC 60076-7 (from memory), nothing of the product's."""
    exponents = {"ONAN": (0.8, 1.3), "ONAF": (0.8, 1.3), "ODAF": (1.0, 2.0)}
    figures = derived(path)
    modes = {mode.id: mode for mode in figures.report.modes}
    rows = heatrun.steady_state(figures, ambient_c)
    assert len(rows) == 6 * len(modes)
    for row in rows:
        x, y = exponents[modes[row.mode].cooling]
        k, mode = row.load_percent / 100, figures.modes[row.mode]
        r = mode.loss_ratio.value
        oil = ambient_c + mode.top_oil_rise.value * ((1 + r * k * k) / (1 + r)) ** x
        assert row.top_oil_c == pytest.approx(oil, abs=1e-9)
        for name, (gradient, hot_spot, ageing) in row.windings.items():
            expected = figures.hot_spot_factor[name].value * mode.windings[name].gradient.value * k**y
            assert gradient == pytest.approx(expected, abs=1e-9)
            assert hot_spot == pytest.approx(oil + expected, abs=1e-9)
            if figures.report.transformer.paper == "kraft":
                rate = 2 ** ((hot_spot - 98) / 6)
            else:
                rate = math.exp(15000 / 383 - 15000 / (hot_spot + 273))
            assert ageing == pytest.approx(rate, rel=1e-9)


@pytest.mark.parametrize("guide", ["iec_60076_7", "ieee_c57_91"])
def test_the_table_is_what_the_live_step_settles_at(guide: str, tmp_path: Path) -> None:
    """Control of the test above: constant load through the step itself for twenty days, top oil estimated."""
    text = T2.read_text().replace("size: large\n", f"size: large\n  guide: {guide}\n")
    report = tmp_path / "report.yaml"
    report.write_text(text)
    figures = derived(report)
    model = compile_model(heatrun.settings_sketch(figures))
    for row in heatrun.steady_state(figures, 20.0):
        mode = list(figures.modes).index(row.mode)
        step_ns = 600 * 10**9
        state = initial(model, 0)
        for i in range(1, 24 * 6 * 20 if row.load_percent in (25, 150) else 2):
            now = np.array([i * step_ns])
            state, estimate = advance(
                model,
                state,
                Sample(
                    t_ns=i * step_ns,
                    oil_c=np.array([row.top_oil_c]),
                    oil_ns=now,
                    ambient_c=np.array([20.0]),
                    ambient_ns=now,
                    current_a=model.rated_current_a[mode] * row.load_percent / 100,
                    current_ns=np.repeat(now, 2),
                    mode=np.array([mode]),
                ),
            )
        assert estimate.hot_spot_c == pytest.approx([h for _, h, _ in row.windings.values()], abs=0.01)
        if row.load_percent in (25, 150):
            assert estimate.expected_oil_c[0] == pytest.approx(row.top_oil_c, abs=0.01)


def test_the_table_is_printed_with_the_report_s_own_rises(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["heatrun", str(T2), "--ambient-c", "30"]) == 0
    out = capsys.readouterr().out
    assert "ambient 30 degC" in out
    assert "ODAF (ODAF, 160 MVA)" in out
    assert "report, brought to rated load and site: top oil 49.9 K" in out


def test_every_fault_is_said_with_file_line_and_key(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    report = tmp_path / "report.yaml"
    text = T1.read_text()
    text = text.replace("no_load_kw: 18.0", "no_load_kw: -18.0").replace("paper: kraft", "papr: kraft")
    text = text.replace("hot_spot_rise_k: 65.1", "hot_spot_rise_k: 651")
    report.write_text(text)
    assert main(["heatrun", str(report)]) == 78
    captured = capsys.readouterr()
    assert captured.out == ""
    lines = text.splitlines()
    for word, path in [
        ("papr", "transformer.papr"),
        ("no_load_kw", "losses.no_load_kw"),
        ("hot_spot_rise_k: 651", "modes.ONAF2.windings.HV.hot_spot_rise_k"),
    ]:
        number = next(i for i, line in enumerate(lines, 1) if word in line)
        assert f"{report}:{number}: {path}: " in captured.err
    assert "did you mean paper?" in captured.err
    assert "usually 20 to 80" in captured.err
    assert len(captured.err.splitlines()) == 3


def test_a_contradiction_is_said_at_its_line_and_no_block_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    report, block = tmp_path / "report.yaml", tmp_path / "block.yaml"
    text = T1.read_text().replace("hot_spot_rise_k: 65.1", "hot_spot_rise_k: 50.1")
    report.write_text(text)
    assert main(["heatrun", str(report), "--output", str(block)]) == 78
    captured = capsys.readouterr()
    line = 1 + text[: text.index("hot_spot_rise_k: 50.1")].count("\n")
    where = f"{report}:{line}: modes.ONAF2.windings.HV.hot_spot_rise_k: hot spot below average winding"
    assert captured.err.startswith(where)
    assert captured.out == ""
    assert not block.exists()


def test_a_doubt_is_a_warning_and_the_block_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    report = tmp_path / "report.yaml"
    report.write_text(T1.read_text().replace("top_oil_rise_k: 60, average", "top_oil_rise_k: 47, average"))
    assert main(["heatrun", str(report)]) == 0
    captured = capsys.readouterr()
    assert captured.err.count("warning: rise above the guarantee") == 2
    assert "top_oil_rise_k: 47.05" in captured.out


def test_settings_that_do_not_go_with_the_report(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    report = tmp_path / "report.yaml"
    report.write_text(T1.read_text().replace("{id: LV, number: 4,", "{id: LV, number: 7,"))
    assert main(["heatrun", str(report), "--settings", str(DEMO)]) == 78
    captured = capsys.readouterr()
    line = 1 + DEMO.read_text().splitlines().index("      - id: LV_A")
    assert f"{DEMO}:{line + 1}: transformers.T1.windings.LV_A.number: is 4, in the report 7" in captured.err
    assert main(["heatrun", str(T2), "--settings", str(DEMO)]) == 78
    assert "no transformer T2" in capsys.readouterr().err


@pytest.mark.parametrize(
    "content", [b"", b"\xff\xfe", b"- 1\n", b"modes: [}\n", b"transformer: {id: T1, id: T2}\n"]
)
def test_what_is_no_report_is_refused_without_a_traceback(
    content: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    report = tmp_path / "report.yaml"
    report.write_bytes(content)
    assert main(["heatrun", str(report)]) == 78
    assert capsys.readouterr().err.startswith(f"{report}:1: ")


def test_a_missing_report_and_an_output_that_cannot_be_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["heatrun", str(tmp_path / "none.yaml")]) == 78
    assert "cannot be read" in capsys.readouterr().err
    assert main(["heatrun", str(T1), "--output", str(tmp_path / "no" / "block.yaml")]) == 1
    assert "cannot write" in capsys.readouterr().err
    assert main(["heatrun", str(T1), "--ambient-c", "200"]) == 64


def test_the_report_and_the_settings_are_never_overwritten(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    report, station = tmp_path / "report.yaml", tmp_path / "station.yaml"
    report.write_bytes(T1.read_bytes())
    station.write_bytes(DEMO.read_bytes())
    for target in (report, station):
        assert main(["heatrun", str(report), "--settings", str(station), "--output", str(target)]) == 64
        assert "would overwrite" in capsys.readouterr().err
    assert report.read_bytes() == T1.read_bytes()
    assert station.read_bytes() == DEMO.read_bytes()


def test_settings_that_differ_from_the_report_are_told_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    report = tmp_path / "report.yaml"
    text = T1.read_text().replace("paper: kraft", "paper: thermally_upgraded")
    report.write_text(text.replace("{id: LV, number: 4,", "{id: LV, kind: regulating, number: 4,"))
    assert main(["heatrun", str(report), "--settings", str(DEMO)]) == 0
    err = capsys.readouterr().err
    line = 1 + DEMO.read_text().splitlines().index("    paper: kraft")
    assert f"{DEMO}:{line}: transformers.T1.paper: warning: is kraft" in err
    assert err.count("warning: is main, in the report regulating") == 3
