"""Node tree -> validated values, key by key and element by element, so that no fault hides another.

Every single value is judged by pydantic, strictly; sections are walked here. What is valid stays
usable (a Part) however much around it is broken. No rule about two values lives here.
"""

from __future__ import annotations

import difflib
import types
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from collector.settings.faults import Fault, Severity
from collector.settings.model import Id, Section
from collector.settings.nodes import Entry, Mapping, Node, Scalar, Sequence, printable, shown
from collector.settings.scalars import Unclear, is_null, number, text, truth

Kind = Literal["section", "list", "dict", "bool", "int", "float", "text", "choice"]

_STRICT = ConfigDict(strict=True, allow_inf_nan=False)
_ID: TypeAdapter[str] = TypeAdapter(Id, config=_STRICT)
_SECRETS = ("password", "passwd", "secret", "token")


class Unknown(Exception):
    """A value was asked for that has a fault already: whoever asks can decide nothing."""


class Part:
    """A section of the settings as far as it is valid.

    Keys are attributes: the value, a Part, a list of Parts or a dict of Parts; a key that was left out
    gives its default, a key with a fault raises `Unknown`.
    """

    def __init__(self, cls: type[Section], file: str, path: str, line: int) -> None:
        self.cls, self.file, self.path, self.line = cls, file, path, line
        self.values: dict[str, Any] = {}
        self.lines: dict[str, int] = {}
        self.broken: set[str] = set()
        self.origins: dict[str, int] = {}  # which node a key's value came from: equal when used by alias
        self.within: tuple[Part, ...] | None = None  # see `walk`

    def __getattr__(self, key: str) -> Any:
        if key in self.broken:
            raise Unknown(key)
        if key in self.values:
            return self.values[key]
        info = self.cls.model_fields.get(key)
        if info is None:
            raise AttributeError(key)
        return info.get_default(call_default_factory=True)

    def given(self, key: str) -> bool:
        """The key stands in the file (rightly or wrongly)."""
        return key in self.lines

    def fault(self, key: str, message: str, severity: Severity = "fault") -> Fault:
        """A fault at `key` ("pickup.top_oil_c"), at the line of the deepest part of it that is given."""
        part, line, rest = self, self.line, key
        while rest:
            name, _, after = rest.partition(".")
            line = part.lines.get(rest, part.lines.get(name, line))
            inner = part.values.get(name)
            if not isinstance(inner, Part):
                break
            part, rest = inner, after
        return Fault(self.file, line, f"{self.path}.{key}".strip("."), printable(message), severity)

    def build(self) -> Any:
        """The section as a frozen settings object. Only for a part without faults."""
        return self.cls.model_validate({key: _built(value) for key, value in self.values.items()})


def _built(value: Any) -> Any:
    if isinstance(value, Part):
        return value.build()
    if isinstance(value, dict):
        return {key: _built(item) for key, item in value.items()}
    return tuple(map(_built, value)) if isinstance(value, list | tuple) else value


# --- what a key takes, from the model's annotations --------------------------------------------


@dataclass(frozen=True, slots=True)
class Shape:
    """What one key takes. item: of a list or dict. words: range and description for a message."""

    kind: Kind
    adapter: TypeAdapter[Any] | None = None
    cls: type[Section] = Section
    item: Shape | None = None
    optional: bool = False
    least: int = 0
    range: str = ""
    description: str = ""
    options: tuple[Any, ...] = ()


_KINDS: dict[Any, Kind] = {bool: "bool", int: "int", float: "float", str: "text"}


@lru_cache(maxsize=256)
def shapes(cls: type[Section]) -> dict[str, Shape]:
    """The shape of every key of a section."""
    return {name: _shape(info.annotation, [info]) for name, info in cls.model_fields.items()}


def _shape(annotation: Any, metadata: list[Any]) -> Shape:
    optional = False
    while True:
        origin = get_origin(annotation)
        if origin is Annotated:
            annotation, *more = get_args(annotation)
            metadata = [*metadata, *more]
        elif origin in (Union, types.UnionType):
            (annotation,) = (arg for arg in get_args(annotation) if arg is not type(None))
            optional = True
        else:
            break
    limits = _limits(metadata)
    description = next((m.description for m in metadata if isinstance(m, FieldInfo) and m.description), "")
    least = limits.get("min_length", 0)
    if isinstance(annotation, type) and issubclass(annotation, Section):
        return Shape("section", cls=annotation, optional=optional, description=description)
    if origin is tuple:
        return Shape(
            "list",
            item=_shape(get_args(annotation)[0], []),
            optional=optional,
            least=least,
            description=description,
        )
    if origin is dict:
        return Shape(
            "dict",
            item=_shape(get_args(annotation)[1], []),
            optional=optional,
            least=least,
            description=description,
        )
    constraints = [m for m in metadata if not isinstance(m, FieldInfo)]
    constraints += [c for m in metadata if isinstance(m, FieldInfo) for c in m.metadata]
    adapter: TypeAdapter[Any] = TypeAdapter(Annotated[annotation, Field(), *constraints], config=_STRICT)
    options = get_args(annotation) if origin is Literal else ()
    kind: Kind = "choice" if origin is Literal else _KINDS[annotation]
    return Shape(
        kind, adapter, optional=optional, range=_range(limits), description=description, options=options
    )


def _limits(metadata: list[Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for item in metadata:
        for constraint in item.metadata if isinstance(item, FieldInfo) else [item]:
            for name in ("ge", "gt", "le", "lt", "min_length", "pattern"):
                value = getattr(constraint, name, None)
                if value is not None:
                    found.setdefault(name, value)
    return found


def _range(limits: dict[str, Any]) -> str:
    low = (
        f"at least {limits['ge']}"
        if "ge" in limits
        else f"more than {limits['gt']}"
        if "gt" in limits
        else ""
    )
    high = (
        f"at most {limits['le']}" if "le" in limits else f"less than {limits['lt']}" if "lt" in limits else ""
    )
    if "ge" in limits and "le" in limits:
        return f"{limits['ge']} to {limits['le']}"
    if "min_length" in limits and not low:
        return "not empty"
    return " and ".join(filter(None, (low, high)))


# --- binding -----------------------------------------------------------------------------------


@dataclass(slots=True)
class Binder:
    """Walks a node tree and collects the faults of single values."""

    file: str
    faults: list[Fault] = field(default_factory=list)
    said: set[tuple[int, str]] = field(default_factory=set)

    def say(self, line: int, path: str, message: str, node: Node | None = None) -> None:
        if node is not None:  # a value used again by alias: its fault is said once
            if (id(node), message) in self.said:
                return
            self.said.add((id(node), message))
        self.faults.append(Fault(self.file, line, path, printable(message)))

    def section(self, cls: type[Section], node: Node, path: str, line: int) -> Part:
        """A Part; everything in it is broken when `node` is no mapping."""
        part = Part(cls, self.file, path, line)
        keys = shapes(cls)
        if not isinstance(node, Mapping):
            part.broken.update(keys)
            required = ", ".join(name for name, info in cls.model_fields.items() if info.is_required())
            needs = f"it needs {required}" if required else "leave the key out for the defaults"
            self.say(line, path, f"{_what(node)} where a section of keys belongs ({needs})", node)
            return part
        excused = self._unknown_keys(cls, node, path, part)
        for name, shape in keys.items():
            entry = node.entries.get(name)
            inner = f"{path}.{name}" if path else name
            if entry is not None:
                part.lines.update(_lines(name, entry))
                part.origins[name] = id(entry.value)
                try:
                    part.values[name] = self.value(shape, entry.value, inner, entry.line)
                except Unknown:
                    part.broken.add(name)
            elif name in excused:
                part.broken.add(name)
            elif cls.model_fields[name].is_required():
                part.broken.add(name)
                self.say(line, inner, f"is missing ({_expects(shape)})", node)
            elif shape.kind == "section" and not shape.optional:
                part.values[name] = Part(shape.cls, self.file, inner, line)
        return part

    def _unknown_keys(self, cls: type[Section], node: Mapping, path: str, part: Part) -> set[str]:
        """Says each unknown key; returns the keys that were probably meant by one of them."""
        known, meant = list(cls.model_fields), set()
        for name, entry in node.entries.items():
            if name in known:
                continue
            inner = f"{path}.{shown(name)}" if path else shown(name)
            if name.lower() in _SECRETS:
                right = "password_file" if "password_file" in known else ""
                hint = f"give {right}" if right else "remove it"
                self.say(entry.line, inner, f"no secret may stand in this file ({hint})", entry.value)
                meant.update({right} - {""})
                continue
            free = [key for key in known if key not in node.entries]
            close = difflib.get_close_matches(name, free, 1, 0.6) or difflib.get_close_matches(
                name, known, 1, 0.6
            )
            if close:
                meant.add(close[0])
                hint = f"did you mean {close[0]}?"
            else:
                hint = "keys here: " + ", ".join(known[:40])
            self.say(entry.line, inner, f"is no key of this section ({hint})", entry.value)
        return meant

    def value(self, shape: Shape, node: Node, path: str, line: int) -> Any:
        """The valid value of a key. Unknown after saying what is wrong."""
        if isinstance(node, Scalar) and shape.optional and is_null(node):
            return None
        if shape.kind == "section":
            if not isinstance(node, Mapping):
                self.section(shape.cls, node, path, line)
                raise Unknown(path)
            return self.section(shape.cls, node, path, line)
        if shape.kind == "list":
            return self._list(shape, node, path, line)
        if shape.kind == "dict":
            return self._dict(shape, node, path, line)
        return self._leaf(shape, node, path, line)

    def _list(self, shape: Shape, node: Node, path: str, line: int) -> list[Any]:
        assert shape.item is not None
        if not isinstance(node, Sequence):
            example = "one `- ` per element" if shape.item.kind == "section" else "such as [a, b]"
            self.say(line, path, f"{_what(node)} where a list belongs ({example})", node)
            raise Unknown(path)
        if len(node.items) < shape.least:
            self.say(line, path, f"is an empty list (at least {shape.least} needed)", node)
            raise Unknown(path)
        result, whole = [], True
        for index, item in enumerate(node.items):
            inner = path + element(index, item)
            if shape.item.kind == "section":
                result.append(self.section(shape.item.cls, item, inner, item.line))
                continue
            try:
                result.append(self.value(shape.item, item, inner, item.line))
            except Unknown:
                whole = False
        if not whole:
            raise Unknown(path)
        return result

    def _dict(self, shape: Shape, node: Node, path: str, line: int) -> dict[str, Any]:
        assert shape.item is not None
        if not isinstance(node, Mapping):
            self.say(line, path, f"{_what(node)} where `id: value` pairs belong (such as HV_A: 1.0)", node)
            raise Unknown(path)
        if len(node.entries) < shape.least:
            self.say(line, path, f"is empty (at least {shape.least} needed)", node)
            raise Unknown(path)
        result, whole = {}, True
        for name, entry in node.entries.items():
            inner = f"{path}.{shown(name)}"
            try:
                key = _ID.validate_python(text(entry.key))
                result[key] = self.value(shape.item, entry.value, inner, entry.line)
            except Unclear as unclear:
                self.say(entry.line, inner, str(unclear), entry.key)
                whole = False
            except ValidationError:
                self.say(entry.line, inner, f'"{shown(name)}" is no id ({_ID_WORDS})', entry.key)
                whole = False
            except Unknown:
                whole = False
        if not whole:
            raise Unknown(path)
        return result

    def _leaf(self, shape: Shape, node: Node, path: str, line: int) -> Any:
        assert shape.adapter is not None
        try:
            value = _read(shape, node, path)
            return shape.adapter.validate_python(value)
        except Unclear as unclear:
            message = str(unclear)
            if "(" not in message:
                message += f" ({_expects(shape)})"
        except ValidationError:
            message = _refused(shape, value)
        self.say(node.line if isinstance(node, Scalar) else line, path, message, node)
        raise Unknown(path)


def _lines(name: str, entry: Entry) -> Iterator[tuple[str, int]]:
    """Lines of a key and of what lies directly under it: `needs`, `needs[1]`, `factors.HV_A`."""
    yield name, entry.line
    if isinstance(entry.value, Sequence):
        yield from ((f"{name}[{i}]", item.line) for i, item in enumerate(entry.value.items))
    elif isinstance(entry.value, Mapping):
        yield from ((f"{name}.{key}", inner.line) for key, inner in entry.value.entries.items())


def element(index: int, item: Node) -> str:
    """`.T1` for a list element with a usable id, else `[2]`."""
    if isinstance(item, Mapping):
        entry = item.entries.get("id")
        if entry is not None and isinstance(entry.value, Scalar):
            try:
                return "." + _ID.validate_python(entry.value.text)
            except ValidationError:
                pass
    return f"[{index}]"


_ID_WORDS = "a letter, then letters, digits, _ and -, 32 at most"


def _read(shape: Shape, node: Node, path: str) -> Any:
    if not isinstance(node, Scalar):
        raise Unclear(f"{_what(node)} where one value belongs")
    if node.plain and (node.text == "" or is_null(node)):
        raise Unclear(
            f"has no value ({_expects(shape)}" + (", or leave the key out)" if shape.optional else ")")
        )
    if shape.kind == "bool":
        return truth(node)
    if shape.kind in ("int", "float"):
        return number(node, shape.kind == "int", path.endswith(".reference"))
    if shape.kind == "choice":
        if all(isinstance(option, int) for option in shape.options):
            return number(node, True)
        return node.text
    return text(node)


def _refused(shape: Shape, value: Any) -> str:
    if shape.kind == "choice":
        close = difflib.get_close_matches(str(value), map(str, shape.options), 1, 0.5)
        folded = [o for o in shape.options if str(o).lower() == str(value).lower()]
        hint = f"did you mean {(folded or close)[0]}?" if folded or close else "write one of them"
        options = ", ".join(map(str, shape.options))
        return f"{_say_value(value)} is none of {options} ({hint})"
    if shape.kind == "text":
        pattern = shape.description.startswith("letters")
        if value == "":
            return f"is empty ({shape.description or 'write a text'})"
        return (
            f"{_say_value(value)} is no id ({_ID_WORDS})"
            if pattern
            else f"{_say_value(value)} is not allowed ({_expects(shape)})"
        )
    words = "; ".join(filter(None, (shape.range, shape.description)))
    return f"{_say_value(value)} is out of range ({words})"


def _say_value(value: Any) -> str:
    return f'"{shown(value)}"' if isinstance(value, str) else shown(str(value))


_KIND_WORDS = {
    "list": "a list",
    "dict": "`id: value` pairs",
    "bool": "true or false",
    "int": "a whole number",
    "float": "a number",
    "text": "a text",
}


def _expects(shape: Shape) -> str:
    if shape.kind == "section":
        required = [name for name, info in shape.cls.model_fields.items() if info.is_required()]
        return "a section with " + (", ".join(required) or "keys of its own")
    words = _KIND_WORDS.get(shape.kind) or "one of " + ", ".join(map(str, shape.options))
    return "; ".join(filter(None, (f"{words} {shape.range}".strip(), shape.description)))


def _what(node: Node) -> str:
    if isinstance(node, Mapping):
        return "is a section of keys"
    if isinstance(node, Sequence):
        return "is a list"
    return f'is the single value "{shown(node.text)}"' if node.text else "is empty"


def walk(part: Part) -> tuple[Part, ...]:
    """The part and every part within it, in the order of the model. Only when all is bound: it is kept,
    for many rules ask, each for every device."""
    if part.within is None:
        found = [part]
        for value in part.values.values():
            inner = value.values() if isinstance(value, dict) else value
            for item in inner if isinstance(value, dict | list) else [value]:
                if isinstance(item, Part):
                    found += walk(item)
        part.within = tuple(found)
    return part.within
