"""Strict YAML: a file becomes data with the line and column of every value, or a list of problems.

Plain scalars follow a small part of YAML 1.2 (null, true, false, decimal numbers); everything that readers
disagree on (no, on, 0123, 12:30, 0x1F, dates) stays text. Models and the wording of their faults live in
catalog/reading.py.
"""

from __future__ import annotations

import gc
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from catalog.errors import InputError, Problem
from catalog.files import read_text
from catalog.patience import look
from catalog.wording import place_after, shown

__all__ = ["Document", "Loc", "Quoted", "path_text", "plain_value", "read_document"]

Loc = tuple[str | int, ...]

# What one file may hold: 20,000 short parts; a family of more, or longer ones, is split over several files.
MAX_BYTES = 4 * 1024 * 1024  # also characters of text after the expansion of aliases
MAX_NODES = 500_000  # values after the expansion of aliases
MAX_DEPTH = 40
_LOOK = 1_000  # values read between two looks at whether somebody wants to stop
MAX_PROBLEMS = 500  # after which the rest of a file is not looked at
MAX_CAREFUL = 1024 * 1024  # characters that the parser written in Python is given: it takes 4 s a million


class Quoted(str):
    """Text that stood in quotes, or in a block, in the file."""

    __slots__ = ()


@dataclass(frozen=True)
class Document:
    """The data of one file, and where each value stood.

    `places` holds line and column of each value, `keys` those of the key of each mapping entry, both from 1;
    `faults` are problems that did not stop the reading; `sha256` is that of the bytes that were read.
    """

    path: Path
    data: Any
    places: Mapping[Loc, tuple[int, int]]
    keys: Mapping[Loc, tuple[int, int]] = field(default_factory=dict)
    faults: tuple[Problem, ...] = ()
    sha256: str = ""

    def place(self, loc: Sequence[str | int], *, key: bool = False) -> tuple[int, int]:
        """Find the line and column of a value, or of its nearest known parent.

        Parameters
        ----------
        loc : sequence of str or int
            Keys and indices from the top.
        key : bool
            Whether to give the place of the key instead of the value, where there is a key.

        Returns
        -------
        (int, int)
            Line and column, from 1; (0, 0) if nothing is known.
        """
        for end in range(len(loc), -1, -1):
            part = tuple(loc[:end])
            if key and part in self.keys:
                return self.keys[part]
            if part in self.places:
                return self.places[part]
        return 0, 0


_TWICE = "key given twice"
_PLAIN, _QUOTED = "plain", "quoted"  # our tags of scalars without an explicit tag
_MAPPING, _SEQUENCE = "tag:yaml.org,2002:map", "tag:yaml.org,2002:seq"
_HALF = re.compile("[\ud800-\udfff]")  # of a pair of surrogates
_WORDS = {"": None, "~": None, "null": None, "true": True, "false": False}
_INTEGER = re.compile(r"[-+]?(0|[1-9][0-9]{0,299})")
_FLOAT = re.compile(r"[-+]?((0|[1-9][0-9]*)(\.[0-9]*)?|\.[0-9]+)([eE][-+]?[0-9]+)?")
_SYNTAX = (  # part of the parser's words; ours; hint
    (r"'\\t'", "tab where YAML wants spaces", "indent with spaces"),
    ("mapping values are not allowed", "unexpected colon", "check the indentation, or put the text in quotes"),
    ("could not find expected ':'", "key without a colon", "write 'key: value', with a space after the colon"),
    ("undefined alias", "alias without an anchor", "define &name before *name"),
    ("duplicate anchor", "anchor defined twice", "give each anchor its own name"),
    ("expected a single document", "more than one document", "keep one document in a file, without '---'"),
    ("found unexpected end of stream", "text ends inside quotes or brackets", "close them"),
    ("but (found|got)", "the structure breaks off here", "check indentation, brackets, commas and quotes"),
    ("cannot start any token", "a text cannot start with this character", "put the text in quotes"),
    ("undefined tag|tag handle", "tags (!) are not allowed", "remove the tag"),
    ("more than .* values", f"more than {MAX_NODES:,} values", "split the file"),
    ("levels deep", f"nested more than {MAX_DEPTH} levels deep", "use fewer levels"),
)


class _Composer(yaml.composer.Composer):
    """Composer that bounds nodes and depth, and marks scalars as plain or quoted instead of guessing."""

    nodes = 0
    depth = 0
    peek_event: Any  # of the parser that stands beside it

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        self.nodes += 1
        self.depth += 1
        if self.nodes % _LOOK == 0:
            look()
        if self.nodes > MAX_NODES or self.depth > MAX_DEPTH:
            limit = f"more than {MAX_NODES:,} values" if self.nodes > MAX_NODES else _TOO_DEEP
            raise yaml.MarkedYAMLError(problem=limit, problem_mark=self.peek_event().start_mark)
        node = super().compose_node(parent, index)
        self.depth -= 1
        return node

    def resolve(self, kind: type[yaml.Node], _value: Any, implicit: Any) -> Any:
        if kind is yaml.ScalarNode:
            return _PLAIN if implicit[0] else _QUOTED
        return _MAPPING if kind is yaml.MappingNode else _SEQUENCE


class _Loader(_Composer, yaml.SafeLoader):
    """Parser written in Python: its words of a fault are those that `_SYNTAX` knows."""


if yaml.__with_libyaml__:

    class _FastLoader(_Composer, yaml.CSafeLoader):
        """Parser of libyaml, ten times as fast."""

        def __init__(self, text: str) -> None:
            yaml.CSafeLoader.__init__(self, text)
            yaml.composer.Composer.__init__(self)


# Where the two parsers read, or place, differently: tabs, tags, `? key`, `---`, a comment right after the sign of a
# block, `[key: ]`, line ends that few editors know.
_DISPUTED = re.compile("[\t!?\ufeff\x85\u2028\u2029]|\r(?!\n)|^---|[|>][-+0-9]*#|:\\s*[],]", re.MULTILINE)


# A line that holds a key and its text in quotes: whatever stands around it, what is in the quotes is text.
_QUOTED_LINE = re.compile(r'^ *(- )?[A-Za-z_]+: "[^"\\\t\r\n\ufeff\x85\u2028\u2029]*"$', re.MULTILINE)


def _dispute(text: str) -> re.Match[str] | None:
    """The first sign outside a quoted line that the two parsers read differently."""
    return _DISPUTED.search(_QUOTED_LINE.sub(lambda line: " " * len(line[0]), text))


def _by_libyaml(text: str) -> yaml.Node | None:
    """Nodes of a text by libyaml; None where it is not installed, refuses, or might read differently.

    Raises
    ------
    yaml.YAMLError
        If it refuses a text too long to have the other parser find better words.
    """
    if not yaml.__with_libyaml__ or _dispute(text):
        return None
    try:
        return _FastLoader(text).get_single_node()
    except (yaml.YAMLError, ValueError):
        if len(text) > MAX_CAREFUL:
            raise
        return None


@contextmanager
def _no_collection() -> Iterator[None]:
    """Hold Python's search for cycles: nodes have none, and looking through them takes most of the time."""
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


_TOO_DEEP = f"nested more than {MAX_DEPTH} levels deep"
_Entries = dict[str, tuple[yaml.Node, yaml.Node]]


class _Builder:
    """Turns a node graph into data and places, collecting problems."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.spent = 0
        self.characters = 0
        self.problems: list[Problem] = []
        self.places: dict[Loc, tuple[int, int]] = {}
        self.keys: dict[Loc, tuple[int, int]] = {}

    def note(self, node: yaml.Node, loc: Loc, message: str, got: str = "", hint: str = "") -> Problem:
        problem = Problem(self.file, *_start(node), path_text(loc), message, got, hint=hint)
        self.problems.append(problem)
        if len(self.problems) > MAX_PROBLEMS:
            raise InputError(self.problems)
        return problem

    def spend(self, node: yaml.Node, loc: Loc, depth: int, count: int) -> None:
        """Stop when aliases blow the file up."""
        self.spent += count
        if self.spent % _LOOK == 0:
            look()
        if self.spent > MAX_NODES or depth > MAX_DEPTH:
            much = f"aliases expand to more than {MAX_NODES:,} values" if depth <= MAX_DEPTH else _TOO_DEEP
            hint = "an alias must not contain itself" if depth > MAX_DEPTH else "write the values out"
            raise InputError([self.note(node, loc, much, hint=hint)])

    def build(self, node: yaml.Node, loc: Loc = (), depth: int = 1) -> Any:
        self.spend(node, loc, depth, 1)
        self.places[loc] = _start(node)
        if node.tag not in (_PLAIN, _QUOTED, _MAPPING, _SEQUENCE):
            self.note(node, loc, "tags (!) are not allowed", got=shown(node.tag), hint="remove the tag")
        elif isinstance(node, yaml.MappingNode):
            found = {}
            for key, (key_node, value_node) in self.entries(node, loc, depth).items():
                self.keys[(*loc, key)] = _start(key_node)
                found[key] = self.build(value_node, (*loc, key), depth + 1)
            return found
        elif isinstance(node, yaml.SequenceNode):
            return [self.build(child, (*loc, i), depth + 1) for i, child in enumerate(node.value)]
        else:
            text = self.text(node, loc)
            return plain_value(text) if node.tag == _PLAIN else Quoted(text)
        return None

    def text(self, node: yaml.Node, loc: Loc) -> str:
        text = str(node.value)
        self.characters += len(text)
        if self.characters > MAX_BYTES:
            much = f"aliases expand to more than {MAX_BYTES:,} characters"
            raise InputError([self.note(node, loc, much, hint="write the values out")])
        if _HALF.search(text):
            self.note(node, loc, "text holds half a character", hint="replace the \\u escape")
        return text

    def entries(self, node: yaml.MappingNode, loc: Loc, depth: int) -> _Entries:
        """The entries of a mapping with those of its merge keys; its own win, then the earlier merged."""
        own: _Entries = {}
        merged: _Entries = {}
        for key_node, value_node in node.value:
            if not isinstance(key_node, yaml.ScalarNode) or key_node.tag not in (_PLAIN, _QUOTED):
                self.note(key_node, loc, "a key must be plain text")
                continue
            key = self.text(key_node, loc)
            key = key if key_node.tag == _PLAIN else Quoted(key)
            if key in own:
                line, column = _start(own[key][0])
                self.note(key_node, (*loc, key), _TWICE, hint=f"first at line {line}, column {column}")
                continue
            own[key] = (key_node, value_node)
        merge = own.pop("<<") if "<<" in own and own["<<"][0].tag == _PLAIN else None
        for source in _sources(merge[1]) if merge else ():
            if isinstance(source, yaml.MappingNode):
                self.spend(source, loc, depth + 1, 1 + len(source.value))
                more = self.entries(source, loc, depth + 1)
                self.spend(source, loc, depth + 1, len(more))
                for key, entry in more.items():
                    merged.setdefault(key, entry)
            else:
                self.note(source, (*loc, "<<"), "a merge key takes a mapping or a list of mappings")
        return merged | own


def _sources(node: yaml.Node) -> list[yaml.Node]:
    return list(node.value) if isinstance(node, yaml.SequenceNode) else [node]


def _start(node: yaml.Node) -> tuple[int, int]:
    return node.start_mark.line + 1, node.start_mark.column + 1


def plain_value(text: str) -> Any:
    if text in _WORDS:
        return _WORDS[text]
    if _INTEGER.fullmatch(text):
        return int(text)
    number = float(text) if _FLOAT.fullmatch(text) else math.inf
    return number if math.isfinite(number) else text


def path_text(loc: Sequence[str | int]) -> str:
    """Print ("parts", 3, "rate") as "parts[3].rate"."""
    return "".join(f"[{step}]" if isinstance(step, int) else f".{shown(step)}" for step in loc).lstrip(".")


def read_document(path: str | Path) -> Document:
    """Read one YAML file strictly.

    Parameters
    ----------
    path : str or Path
        The file; UTF-8, at most 4 MB, 500,000 values and 40 levels.

    Returns
    -------
    Document
        Its data and their places.

    Raises
    ------
    InputError
        If the file cannot be read, or breaks YAML or its limits. Keys given twice are kept in the document's
        `faults`, so that `validate` can report them with all others.
    """
    file, text, sha256 = read_text(path, MAX_BYTES)

    def stop(message: str, line: int = 0, column: int = 0, hint: str = "") -> InputError:
        return InputError([Problem(str(file), line, column, "", message, hint=hint)])

    loader: _Loader | None = None
    try:
        with _no_collection():
            node = _by_libyaml(text)
            if node is None and len(text) <= MAX_CAREFUL:
                loader = _Loader(text)
                node = loader.get_single_node()
            elif node is None and ((sign := _dispute(text)) or not yaml.__with_libyaml__):
                message = f"a file of {len(text):,} characters is read by libyaml only"
                message += ", which may read this sign otherwise" if sign else ", and it is not installed"
                hint = f"keep files with tabs, ! or ? outside quotes below {MAX_CAREFUL:,} characters"
                raise stop(message, *place_after(text[: sign.start() if sign else 0]), hint)
    except yaml.reader.ReaderError:
        bad = yaml.reader.Reader.NON_PRINTABLE.search(text)
        raise stop("unprintable character", *place_after(text[: bad.start() if bad else 0]), "remove it") from None
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        words = " ".join(part for part in (error.context, error.problem) if part)
        rows = [(ours, hint) for part, ours, hint in _SYNTAX if re.search(part, words)]
        message, hint = rows[0] if rows else (f"not valid YAML: {shown(error.problem)}", "")
        raise stop(message, mark.line + 1 if mark else 0, mark.column + 1 if mark else 0, hint) from None
    except (yaml.YAMLError, ValueError, OverflowError):  # such as an escape beyond Unicode
        place = (loader.line + 1, loader.column + 1) if loader else (0, 0)
        raise stop("not valid YAML: number or escape out of range", *place) from None
    builder = _Builder(str(file))
    builder.places[()] = (1, 1)  # of a file without data
    with _no_collection():
        data = builder.build(node) if node else None
    if any(problem.message != _TWICE for problem in builder.problems):
        raise InputError(builder.problems)
    return Document(file, data, builder.places, builder.keys, tuple(builder.problems), sha256)
