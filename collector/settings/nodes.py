"""YAML text -> a tree of nodes with line numbers. Text stays text; only shape is judged here.

What a scalar means depends on the key it belongs to, so numbers are read in scalars.py. Nothing in
this module may know a key of the settings, and nothing here may recurse without a bound.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

import yaml

#: Bounds of a settings file. 16 transformers with everything there is come to about 300 kB; the address
#: plan has room for 128.
MAX_BYTES = 2_500_000
MAX_DEPTH = 20
MAX_NODES = 250_000  # after aliases have been written out
MAX_ALIASES = 2_000

_UNPRINTABLE = re.compile(
    "[^\t\n\r\x20-\x7e\xa0-\u2027\u202a-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]"
)


@dataclass(frozen=True, slots=True)
class Scalar:
    """A single value as written. plain: not in quotes, so that YAML readers may take it for a number."""

    line: int
    text: str
    plain: bool
    size: int = 1


@dataclass(frozen=True, slots=True)
class Sequence:
    line: int
    items: tuple[Node, ...]
    size: int = 1


@dataclass(frozen=True, slots=True)
class Entry:
    """One `key: value` of a mapping. line: of the key."""

    line: int
    key: Scalar
    value: Node


@dataclass(frozen=True, slots=True)
class Mapping:
    line: int
    entries: dict[str, Entry]
    size: int = 1


Node = Scalar | Sequence | Mapping


@dataclass(frozen=True, slots=True)
class Problem:
    """Something wrong with the YAML itself. keys: where in the tree, as far as that is known."""

    line: int
    message: str
    keys: tuple[str | int, ...] = ()


@dataclass(slots=True)
class _Broken(Exception):
    """The file cannot be read any further."""

    problem: Problem


@dataclass(slots=True)
class _Building:
    events: Iterator[yaml.Event]
    anchors: dict[str, Node] = field(default_factory=dict)
    open_anchors: set[str] = field(default_factory=set)
    aliases: int = 0
    problems: list[Problem] = field(default_factory=list)


def parse(data: bytes) -> tuple[Node | None, list[Problem]]:
    """The node tree of the one document in `data`, and what is wrong with it.

    The tree is None when the file cannot be read as YAML at all; a tree with problems (a key given
    twice) can still be judged. Never raises for any bytes.
    """
    problems: list[Problem] = []
    try:
        text = _decode(data)
        building = _Building(yaml.parse(text, Loader=yaml.SafeLoader), problems=problems)
        return _document(building), problems
    except _Broken as broken:
        return None, [*problems, broken.problem]
    except yaml.MarkedYAMLError as error:
        return None, [*problems, _syntax(error, text)]
    except (yaml.YAMLError, ValueError, OverflowError) as error:
        # PyYAML lets chr() fail on an escape such as "\UFFFFFFFF"; no position is known then
        line = text[: text.find("\\U")].count("\n") + 1 if "\\U" in text else 1
        return None, [*problems, Problem(line, f"cannot be read as YAML: {shown(str(error))} ({_REMEDY})")]


def printable(text: str) -> str:
    """`text` without anything a terminal would act on or a reader could not see."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)


def shown(text: str) -> str:
    """`text` fit for a message: short and printable."""
    return printable(text) if len(text) <= 60 else printable(text[:60]) + "..."


def _decode(data: bytes) -> str:
    if len(data) > MAX_BYTES:
        raise _Broken(Problem(1, f"the file is larger than {MAX_BYTES} bytes (is it a settings file?)"))
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise _Broken(Problem(1, "the file is UTF-16 (save it as UTF-8)"))
    try:
        text = data.removeprefix(b"\xef\xbb\xbf").decode("utf-8")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        message = f"byte 0x{data[error.start]:02X} is not UTF-8 text (save the file as UTF-8)"
        raise _Broken(Problem(line, message)) from None
    bad = _UNPRINTABLE.search(text)
    if bad:
        line = text[: bad.start()].count("\n") + 1
        message = f"character U+{ord(bad.group()):04X} does not belong in a settings file (remove it)"
        raise _Broken(Problem(line, message))
    if not text.strip():
        raise _Broken(Problem(1, "the file is empty (it needs station, links, devices and transformers)"))
    return text


def _document(b: _Building) -> Node:
    root: Node | None = None
    for event in b.events:
        if isinstance(event, yaml.DocumentStartEvent):
            if root is not None:
                raise _Broken(Problem(_line(event), "a second document begins here (one document per file)"))
            root = _node(next(b.events), b, ())
    if root is None:
        raise _Broken(
            Problem(1, "the file holds only comments (it needs station, links, devices and transformers)")
        )
    return root


def _node(event: yaml.Event, b: _Building, keys: tuple[str | int, ...]) -> Node:
    line = _line(event)
    if len(keys) > MAX_DEPTH:
        raise _Broken(Problem(line, f"nested deeper than {MAX_DEPTH} levels (no section is)"))
    if isinstance(event, yaml.AliasEvent):
        return _alias(event, b, line)
    anchor = getattr(event, "anchor", None)
    if anchor is not None:
        b.open_anchors.add(anchor)
        b.anchors.pop(anchor, None)
    tag = getattr(event, "tag", None)
    if tag is not None:
        b.problems.append(Problem(line, f"the tag {shown(str(tag))} has no meaning here (remove it)", keys))
    node: Node
    if isinstance(event, yaml.ScalarEvent):
        node = Scalar(line, event.value, event.style is None)
        bad = _UNPRINTABLE.search(event.value)
        if bad or "\n" in event.value or "\r" in event.value or "\t" in event.value:
            b.problems.append(
                Problem(line, "a text with a line break or control character (write it on one line)", keys)
            )
    elif isinstance(event, yaml.SequenceStartEvent):
        node = _sequence(line, b, keys)
    else:
        node = _mapping(line, b, keys)
    if anchor is not None:
        b.open_anchors.discard(anchor)
        b.anchors[anchor] = node
    return node


def _alias(event: yaml.AliasEvent, b: _Building, line: int) -> Node:
    name = str(event.anchor)
    b.aliases += 1
    if name in b.open_anchors:
        raise _Broken(
            Problem(
                line, f"*{shown(name)} refers to the value it stands in (an alias may not contain itself)"
            )
        )
    if name not in b.anchors:
        raise _Broken(Problem(line, f"*{shown(name)} refers to no earlier &{shown(name)} (define it above)"))
    if b.aliases > MAX_ALIASES:
        raise _Broken(Problem(line, f"more than {MAX_ALIASES} aliases (write the values out)"))
    return b.anchors[name]


def _size(parts: list[Node], line: int) -> int:
    size = 1 + sum(part.size for part in parts)
    if size > MAX_NODES:
        raise _Broken(
            Problem(
                line,
                f"more than {MAX_NODES} values once its aliases are written out (no station needs so many)",
            )
        )
    return size


def _sequence(line: int, b: _Building, keys: tuple[str | int, ...]) -> Sequence:
    items: list[Node] = []
    for event in b.events:
        if isinstance(event, yaml.SequenceEndEvent):
            break
        items.append(_node(event, b, (*keys, len(items))))
    return Sequence(line, tuple(items), _size(items, line))


def _mapping(line: int, b: _Building, keys: tuple[str | int, ...]) -> Mapping:
    entries: dict[str, Entry] = {}
    for event in b.events:
        if isinstance(event, yaml.MappingEndEvent):
            break
        key_line = _line(event)
        key = _node(event, b, (*keys, "?"))
        name = key.text if isinstance(key, Scalar) else "?"
        value = _node(next(b.events), b, (*keys, name))
        if not isinstance(key, Scalar):
            b.problems.append(Problem(key_line, "a list or section cannot be a key (write key: value)", keys))
        elif key.plain and name == "<<":
            b.problems.append(
                Problem(
                    key_line,
                    "merge keys (<<) are not read (write the keys out, or alias the whole value)",
                    keys,
                )
            )
        elif name in entries:
            first = entries[name].line
            b.problems.append(
                Problem(key_line, f"is given twice, first in line {first} (keep one)", (*keys, name))
            )
        else:
            entries[name] = Entry(key_line, key, value)
    return Mapping(line, entries, _size([e.value for e in entries.values()], line))


def _line(event: yaml.Event) -> int:
    mark = event.start_mark
    return 1 if mark is None else int(mark.line) + 1


_REMEDY = "text with special characters belongs in single quotes"

#: PyYAML's words -> ours. The first that fits is taken.
_WORDS = (
    (r"character '\\t' that cannot start", "a tab in the indentation (indent with spaces)"),
    (
        r"mapping values are not allowed",
        "a ': ' where none can be (wrong indentation, or a text that needs quotes)",
    ),
    (r"could not find expected ':'|expected ':'", "a line that is not `key: value` (is the colon missing?)"),
    (r"expected <block end>", "does not line up with the lines above it (check the indentation)"),
    (
        r"unexpected end of stream|expected the node content|expected ',' or",
        "a bracket, brace or quote is not closed, or a comma is missing (close it)",
    ),
    (r"expected '<document start>'", "text after the end of the document (one document per file)"),
    (r"cannot start any token", "a character that YAML reserves (put the text in quotes)"),
    (
        r"duplicate anchor|unknown escape|escape sequence",
        "an escape that YAML does not know inside \"...\" (use '...' or double the backslash)",
    ),
    (r"undefined tag handle|tag", "a tag (remove the !)"),
)


def _syntax(error: yaml.MarkedYAMLError, text: str) -> Problem:
    mark = error.problem_mark or error.context_mark
    line = min(int(mark.line) + 1, text.count("\n") + 1) if mark is not None else 1
    problem = str(error.problem or error.context or "")
    for pattern, words in _WORDS:
        if re.search(pattern, problem):
            where = ""
            if error.context_mark is not None and error.context_mark.line + 1 != line:
                where = f"; it began in line {error.context_mark.line + 1}"
            return Problem(line, words + where)
    return Problem(line, f"cannot be read as YAML: {shown(problem)} ({_REMEDY})")
