"""Any input gets an answer with file and line, never a traceback; what is right is read rightly."""

from __future__ import annotations

import copy
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from collector.commands.main import main
from collector.field import codec
from collector.settings import Loaded, example, load, load_bytes
from collector.settings.nodes import MAX_BYTES, MAX_DEPTH, MAX_NODES
from collector.settings.registers import WORDS, split_reference
from collector.thermal.model import compile_model

DEMO = example("demo.yaml").read_text("utf-8")
TREE = yaml.safe_load(DEMO)
# a trial takes a tenth of a second, so a failure is shown as found, not made smaller
FEW = settings(
    max_examples=25,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
)


def judged(data: bytes) -> Loaded:
    """Loads `data`; whatever it is, the answer has a form."""
    loaded = load_bytes(data, "s.yaml")
    assert (loaded.settings is None) == bool(loaded.faults) == (loaded.hash == "")
    # an escape such as "\N" may add lines inside a text, never beyond the file
    last = data.replace(b"\r", b"\n").count(b"\n") + 1
    for fault in (*loaded.faults, *loaded.remarks):
        assert 1 <= fault.line <= last, fault
        assert str(fault).startswith(f"s.yaml:{fault.line}: ")
        assert str(fault).isprintable(), fault
        assert "(" in fault.message, fault  # says what would be right
    assert loaded.faults == sorted(loaded.faults, key=lambda fault: fault.line)
    return loaded


def demo(*changes: tuple[str, str]) -> Loaded:
    text = DEMO
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return load_bytes(text.encode(), "s.yaml")


# --- any bytes --------------------------------------------------------------------------------


@given(st.binary(max_size=400))
@settings(max_examples=200, deadline=None)
def test_any_bytes(data: bytes) -> None:
    judged(data)


@given(st.text(alphabet="ab:-[]{}&*!|>'\"%@`#,? \n\t\\U0x~<=.1eE_\u2028\ufeff", max_size=60))
@settings(max_examples=200, deadline=None)
def test_any_yaml_like_text(text: str) -> None:
    judged(text.encode())


@given(st.integers(0, len(DEMO)), st.integers(0, 12), st.binary(max_size=6))
@FEW
def test_demo_with_bytes_exchanged(start: int, length: int, new: bytes) -> None:
    data = DEMO.encode()
    judged(data[:start] + new + data[start + length :])


@given(st.data())
@FEW
def test_demo_with_lines_moved(data: st.DataObject) -> None:
    lines = DEMO.splitlines()
    for _ in range(data.draw(st.integers(1, 4))):
        i, j = (data.draw(st.integers(0, len(lines) - 1)) for _ in range(2))
        match data.draw(st.sampled_from(["drop", "double", "swap", "indent"])):
            case "drop":
                del lines[i]
            case "double":
                lines.insert(j, lines[i])
            case "swap":
                lines[i], lines[j] = lines[j], lines[i]
            case _:
                lines[i] = "  " + lines[i]
    judged("\n".join(lines).encode())


ANYTHING = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from(["T1", "relays", "off"]),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6) | st.just("id"), inner, max_size=3)
    ),
    max_leaves=5,
)


def places(node: Any) -> list[tuple[Any, Any]]:
    """Every (container, key) of a tree."""
    keys = list(node) if isinstance(node, dict) else range(len(node)) if isinstance(node, list) else ()
    return [place for key in keys for place in [(node, key), *places(node[key])]]


@given(st.data())
@FEW
def test_demo_with_values_exchanged(data: st.DataObject) -> None:
    tree = copy.deepcopy(TREE)
    for _ in range(data.draw(st.integers(1, 3))):
        container, key = data.draw(st.sampled_from(places(tree)))
        container[key] = data.draw(ANYTHING)
    judged(yaml.safe_dump(tree, allow_unicode=True).encode("utf-8", "surrogatepass"))


@pytest.mark.parametrize("path", ["three_winding_pumps.yaml", "small_serial.yaml", "demo.yaml"])
def test_every_value_spoilt_in_turn(path: str) -> None:
    """Each value replaced by a list of lists: a fault at that very line, whatever the key."""
    lines = example(path).read_text("utf-8").splitlines()
    spoilt = 0
    for i, line in enumerate(lines):
        key, colon, rest = line.partition(": ")
        value = rest.partition("#")[0].strip()
        if not colon or not value or value[0] in "{[&*" or "{" in key or key.lstrip().startswith("#"):
            continue
        changed = [*lines[:i], f"{key}: [[]]", *lines[i + 1 :]]
        faults = judged("\n".join(changed).encode()).faults
        assert [fault.line for fault in faults] == [i + 1], (line, faults)
        spoilt += 1
    assert spoilt > 30


# --- bounds -----------------------------------------------------------------------------------


def only(data: bytes, words: str) -> None:
    (fault,) = judged(data).faults
    assert words in fault.message


def test_bounds() -> None:
    only(b"[" * (MAX_DEPTH + 5), "nested deeper")
    only(b"x" * (MAX_BYTES + 1), "larger than")
    only(b"a: &a [*a]", "may not contain itself")
    bomb = ["a0: &a0 [1,1,1,1,1,1,1,1,1,1]"] + [
        f"a{i}: &a{i} [{','.join([f'*a{i - 1}'] * 10)}]" for i in range(1, 9)
    ]
    only("\n".join(bomb).encode(), f"more than {MAX_NODES} values once its aliases")
    only(b"a: &a 1\nb: [" + b"*a," * 3000 + b"]", "aliases")
    only(b"\xff\xfea\x00", "UTF-16")
    only(b"a: 1\nb: \xff", "byte 0xFF is not UTF-8")
    only(b"", "the file is empty")
    only(b"# nothing\n", "only comments")
    only(b'a: "\\UFFFFFFFF"', "cannot be read as YAML")


def test_byte_order_mark_and_line_ends_are_read() -> None:
    assert load_bytes(b"\xef\xbb\xbf" + DEMO.encode(), "s").hash == load_bytes(DEMO.encode(), "s").hash
    assert load_bytes(DEMO.replace("\n", "\r\n").encode(), "s").hash == load_bytes(DEMO.encode(), "s").hash
    assert load_bytes(f"---\n{DEMO}\n...\n".encode(), "s").hash == load_bytes(DEMO.encode(), "s").hash


# --- read as meant ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("1e3", 1000.0),
        ("1E3", 1000.0),
        ("1000", 1000.0),
        ("+1000.0", 1000.0),
        ("1.e3", 1000.0),
        ("0x3E8", 1000.0),
    ],
)
def test_numbers_read_as_meant(written: str, meant: float) -> None:
    loaded = demo(("commit_s: 5.0", f"max_mb: {written}"))
    assert loaded.settings is not None
    assert loaded.settings.record.max_mb == meant


def test_hex_sentinels_and_references_read_as_meant() -> None:
    loaded = demo(
        ("{device: relays, table: discrete_input, address: 0}", "{device: relays, reference: 10041}"),
        ("sentinels: [0x7FFF, -32768]", "sentinels: [0x8000, 0x7fff]"),
    )
    assert loaded.settings is not None
    t = loaded.settings.transformers[0]
    assert t.top_oil.sentinels == (32768.0, 32767.0)
    assert t.stages[0].feedback is not None
    assert t.stages[0].feedback.reference == 10041
    coil = demo(("{device: relays, table: discrete_input, address: 0}", "{device: relays, reference: 00041}"))
    assert coil.settings is not None
    feedback = coil.settings.transformers[0].stages[0].feedback
    assert feedback is not None
    assert feedback.reference == 41


def test_single_letters_and_quoted_words_are_texts() -> None:
    loaded = demo(
        ("phase: A", "phase: N"), ("id: HOLLOWBECK", 'id: "off"'), ("name: Fans, group 1", "name: '12:30'")
    )
    assert loaded.settings is not None
    assert loaded.settings.transformers[0].windings[0].phase == "N"
    assert loaded.settings.station.id == "off"


def test_hash_is_of_the_meaning() -> None:
    one, same = demo(), demo(("cycle_s: 2.0", "cycle_s: 2   # two"), ("\nrecord:", "\n\nrecord:"))
    assert one.hash == same.hash
    assert one.hash != demo(("cycle_s: 2.0", "cycle_s: 2.5")).hash


def test_references_are_read_as_the_field_reads_them() -> None:
    assert WORDS == codec.WORDS
    for reference in [
        *range(0, 70_000, 7),
        *range(99_990, 500_000, 111),
        1,
        9999,
        10001,
        49999,
        165536,
        465536,
        465537,
    ]:
        try:
            expected: tuple[str, int] | None = codec.split_reference(reference)
        except ValueError:
            expected = None
        assert split_reference(reference) == expected, reference


# --- warnings and notes ------------------------------------------------------------------------

REMARKS = [
    ("timeout_s: 10.0", "timeout_s: 4.0", "relay_module.timeout_s", "fewer than three cycles"),
    ("timeout_s: 10.0", "timeout_s: 200.0", "relay_module.timeout_s", "cooling starts 210 s later"),
    (
        "breaker_closed: {device: relays, table: discrete_input, address: 16}",
        "breaker_closed: {device: relays, table: discrete_input, address: 8}",
        "stage1.cabinet.breaker_closed.address",
        "one contact cannot tell",
    ),
    ("decision_max_age_s: 10.0", "decision_max_age_s: 15.0", "decision_max_age_s", "more than five cycles"),
    ("timeout_value: 100 ", "timeout_value: 77 ", "relay_module.timeout_value", "is not 10 s in"),
    ("listen: 127.0.0.1", "listen: 0.0.0.0", "scada.listen", "Modbus has no passwords"),
    ("  port: 15025", "  port: 8883", "mqtt.port", "MQTT over TLS"),
    (
        "data_dir: /var/lib/windingd ",
        "data_dir: data ",
        "station.data_dir",
        "depends on where windingd is started",
    ),
    ("        hardware_stagger: true\n", "", "stage2.hardware_stagger", "on-delay timers"),
    (
        "        feedback: {device: relays, table: discrete_input, address: 2}\n",
        "",
        "stage3.feedback",
        "no proof of running",
    ),
    ("dropout: {top_oil_c: 60.0", "dropout: {top_oil_c: 69.0", "stage2.dropout.top_oil_c", "only 1 K below"),
    (
        "address: 2, type: int16",
        "address: 1, type: int16",
        "bottom_oil.address",
        "two measurements from one register",
    ),
    ("address: 2, type: int16", "address: 2", "bottom_oil.type", "read as int16"),
    ("size: medium", "size: distribution", "design", "does not go with size"),
    ("        design: medium_large_onan\n", "", "modes.ONAN.cooling", "made for ONAF"),
    ("ct_primary_a: 300.0", "ct_primary_a: 30.0", "HV_A.current.ct_primary_a", "is the ratio right?"),
    ("    unit: 4", "    unit: 4\n    settle_s: 28.0", "fibre.settle_s", "counts as lost for a while"),
    ("port: 15022}", "port: 15022, late_answer_s: 1.0}", "ct_tx.late_answer_s", "has no effect on tcp"),
    ("port: 15022}", "port: 15022, frame_gap_s: 0.1}", "ct_tx.frame_gap_s", "has no effect on tcp"),
    ("    unit: 4", "    unit: 4\n    late_answer_s: 1.0", "fibre.late_answer_s", "has no effect on tcp"),
    (
        "    unit: 4",
        "    unit: 4\n    accept_transaction_id_0: true\n    timeout_s: 3.0\n    late_answer_s: 1.0",
        "fibre.late_answer_s",
        "1 s is below the time-out of 3 s",
    ),
    (
        "{id: ct_tx, type: tcp, host: 127.0.0.1, port: 15022}",
        "{id: ct_tx, type: rtu_over_tcp, host: 127.0.0.1, port: 15022, late_answer_s: 0.5}",
        "ct_tx.late_answer_s",
        "0.5 s is below the time-out of 1 s",
    ),
    ("    unit: 4", "    unit: 4\n    answers_as_unit: 4", "fibre.answers_as_unit", "is the unit itself"),
]


@pytest.mark.parametrize(("old", "new", "path", "words"), REMARKS)
def test_warnings_do_not_stop(old: str, new: str, path: str, words: str) -> None:
    loaded = demo((old, new))
    assert loaded.settings is not None, loaded.faults
    remarks = [remark for remark in loaded.remarks if remark.path.endswith(path)]
    assert remarks, loaded.remarks
    assert remarks[0].severity == "warning"
    assert words in remarks[0].message


# --- the real command ---------------------------------------------------------------------------


def windingd(*words: str, **env: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "collector.commands.main", *words]
    return subprocess.run(
        command, capture_output=True, text=True, env={**os.environ, **env}, timeout=60, check=False
    )


def test_exit_statuses(tmp_path: Path) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text(DEMO.replace("cycle_s: 2.0", "cycle_s: 0"), "utf-8")
    fine = windingd("check", str(example("demo.yaml")))
    assert (fine.returncode, fine.stderr) == (0, "")
    refused = windingd("check", str(bad))
    assert refused.returncode == 78
    line = DEMO.partition("cycle_s: 2.0")[0].count("\n") + 1
    assert refused.stdout.startswith(f"{bad}:{line}: station.cycle_s: 0 is out of range")
    assert windingd("check").returncode == 64
    os.mkfifo(tmp_path / "pipe.yaml")
    for missing in (str(tmp_path / "none.yaml"), str(tmp_path), str(tmp_path / "pipe.yaml"), "", "a\udcffb"):
        answer = windingd("check", missing)
        assert answer.returncode == 78, answer
        assert ":1: cannot be read: " in answer.stdout
        assert "Traceback" not in answer.stderr


def test_a_terminal_without_unicode(tmp_path: Path) -> None:
    answer = windingd("check", str(example("demo.yaml")), PYTHONIOENCODING="ascii")
    assert (answer.returncode, answer.stderr) == (0, "")


def test_missing_rights_are_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("builtins.open", refuse)  # file modes say nothing to root
    loaded = load(tmp_path / "s.yaml")
    assert "cannot be read: Permission denied" in loaded.faults[0].message


@pytest.mark.parametrize(
    "change", [("", ""), ("guide: iec_60076_7", "guide: ieee_c57_91"), ("kind: tertiary", "kind: main")]
)
@pytest.mark.parametrize("name", ["demo.yaml", "small_serial.yaml", "three_winding_pumps.yaml"])
def test_what_passes_check_can_be_computed(name: str, change: tuple[str, str]) -> None:
    """The thermal model and the field accept what the cross check accepts."""
    loaded = load_bytes(example(name).read_text("utf-8").replace(*change).encode(), name)
    assert loaded.settings is not None, loaded.faults
    compile_model(loaded.settings)
    assert all(isinstance(spec, codec.Spec) for _, spec in codec.station_specs(loaded.settings))


# --- schema --------------------------------------------------------------------------------------


def conforms(value: Any, schema: dict[str, Any], root: dict[str, Any]) -> bool:
    """The part of JSON schema that the settings' schema uses, written out independently."""
    if "$ref" in schema:
        return conforms(value, root["$defs"][schema["$ref"].rpartition("/")[2]], root)
    if "anyOf" in schema:
        return any(conforms(value, inner, root) for inner in schema["anyOf"])
    if "enum" in schema and value not in schema["enum"]:
        return False
    kinds: dict[str, Any] = {
        "string": str,
        "boolean": bool,
        "array": list,
        "object": dict,
        "null": type(None),
    }
    kind = schema.get("type")
    if kind in ("number", "integer"):
        wanted = (int, float) if kind == "number" else int
        if isinstance(value, bool) or not isinstance(value, wanted):
            return False
    elif kind is not None and not isinstance(value, kinds[kind]):
        return False
    if isinstance(value, dict):
        extra = schema.get("additionalProperties", True)
        known = schema.get("properties", {})
        if any(key not in value for key in schema.get("required", ())):
            return False
        for key, item in value.items():
            inner = known.get(key, extra)
            if inner is False or (isinstance(inner, dict) and not conforms(item, inner, root)):
                return False
    if isinstance(value, list):
        return all(conforms(item, schema["items"], root) for item in value)
    return True


def test_schema(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema"]) == 0
    schema = yaml.safe_load(capsys.readouterr().out)  # JSON is YAML
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    for name in ("demo.yaml", "small_serial.yaml", "three_winding_pumps.yaml"):
        tree = yaml.safe_load(example(name).read_text("utf-8"))
        assert conforms(tree, schema, schema), name
    wrong = yaml.safe_load(DEMO)
    wrong["station"]["cycel_s"] = 2
    assert not conforms(wrong, schema, schema)
    described = [d for d in schema["$defs"]["Station"]["properties"].values() if "description" in d]
    assert len(described) >= 10


def test_examples_lie_in_the_package() -> None:
    """One copy: config/ at the top level is what the package carries."""
    assert example("demo.yaml").resolve() == Path(__file__).parents[2] / "config" / "demo.yaml"
