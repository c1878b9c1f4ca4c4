"""Models read from files: their base, ids and texts, and the wording of every fault with its place.

The YAML itself is read in catalog/documents.py; what a part, machine or job holds stands in their own modules.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any, ClassVar, Literal, TypeVar, get_args, get_origin

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError, ValidationInfo
from pydantic_core import ErrorDetails

from catalog.documents import Document, Loc, Quoted, path_text, plain_value, read_document
from catalog.errors import InputError, Problem, QuantityError
from catalog.quantities import refusal
from catalog.wording import shown

__all__ = [
    "MOST_FAULTS",
    "Document",
    "Id",
    "Loc",
    "Quoted",
    "Strict",
    "Text",
    "problems_of",
    "read_document",
    "validate",
]

M = TypeVar("M", bound=BaseModel)


def _without_coercion(schema: Any) -> Any:
    """Make scalars strict and leave lists free to become tuples, which pydantic's own switch does not."""
    if isinstance(schema, list):
        return [_without_coercion(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    kept = ("default", "metadata", "serialization")
    inner = {name: part if name in kept else _without_coercion(part) for name, part in schema.items()}
    return inner | {"strict": True} if schema.get("type") in ("int", "float", "bool", "str") else inner


class Strict(BaseModel):
    """Base of every model read from a file: frozen, no unknown keys, no scalar taken for another kind."""

    # Built when first validated against: most models are only parts of others, and are built with those.
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)

    retired: ClassVar[dict[str, str]] = {}  # keys of older files -> what takes their place

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: Any) -> Any:
        return _without_coercion(handler(source))


def _read_id(value: object, info: ValidationInfo) -> str:
    rule, hint = "quoted text of small letters, digits and hyphens", 'write for example id: "coil-52"'
    from_file = "yaml" in (info.context or {})
    if not isinstance(value, Quoted if from_file else str):
        raise refusal("an id must stand in quotes", got=shown(value), expected=rule, hint=hint)
    if not re.fullmatch(r"[a-z][a-z0-9-]{0,59}", value):
        hint = 'start with a letter and use at most 60 characters, such as "coil-52"'
        raise refusal("not an id", got=_got(value), expected=rule, hint=hint)
    return str(value)


def _read_text(value: object) -> str:
    if not isinstance(value, str):
        raise refusal("not text", got=shown(value), expected="text", hint="put it in quotes")
    text = str(value).strip()
    if not 0 < len(text) <= 400 or any(unicodedata.category(c)[0] == "C" or c in "\u2028\u2029" for c in text):
        expected = "1 to 400 characters on one line, without control characters"
        raise refusal("not a short text", got=_got(value), expected=expected)
    return text


Id = Annotated[str, BeforeValidator(_read_id)]
Text = Annotated[str, BeforeValidator(_read_text)]


# ---- problems in words ----

_WHOLE = ("not a whole number", "a whole number such as 4")
_DECIMAL = ("not a number", "a number such as 0.35")
_TRUTH = ("not a truth value", "true or false")
_LIST = ("not a list", "a list")
_KEYS = ("not a mapping", "keys with values")
_PHRASES = {  # pydantic's type of error, by its longest known beginning -> message, expected
    "int_": _WHOLE,
    "float_": _DECIMAL,
    "finite_number": ("not a finite number", "a number such as 0.35"),
    "bool_": _TRUTH,
    "string_": ("not text", "text, in quotes if it looks like a number"),
    "string_too_short": ("text too short", "at least {min_length} characters"),
    "string_too_long": ("text too long", "at most {max_length} characters"),
    "string_pattern_mismatch": ("text of the wrong form", "text matching {pattern}"),
    "list_": _LIST,
    "tuple_": _LIST,
    "set_": _LIST,
    "frozen_set_": _LIST,
    "dict_": _KEYS,
    "mapping_": _KEYS,
    "model_": _KEYS,
    "literal_error": ("not one of the choices", "{expected}"),
    "enum": ("not one of the choices", "{expected}"),
    "missing": ("required key missing", ""),
    "extra_forbidden": ("unknown key", ""),
    "too_short": ("too few entries", "at least {min_length}"),
    "too_long": ("too many entries", "at most {max_length}"),
    "greater_than": ("too small", "above {gt}"),
    "greater_than_equal": ("too small", "at least {ge}"),
    "less_than": ("too large", "below {lt}"),
    "less_than_equal": ("too large", "at most {le}"),
    "union_tag_invalid": ("not one of the choices", "{expected_tags}"),
    "union_tag_not_found": ("required key missing", ""),
    "none_required": ("not empty", "nothing"),
}
MOST_FAULTS = 500  # of one file put into words, which takes longer than finding them
_SCALARS = ("int_", "float_", "bool_", "quantity")
_WITHOUT_GOT = ("missing", "extra_forbidden", "union_tag_not_found")
_TRAPS = (
    (r"[-+]?0[0-9][0-9.]*", "leading zeros are ambiguous; write the number without them"),
    (r"[-+]?[0-9]+(:[0-9]+)+", "{0} would be read as a base-60 number by some readers; write a plain number"),
    (r"[-+]?0[xob][0-9a-fA-F]+", "{0} is text here; write the number in decimal"),
    (r"[-+]?[0-9]+(_[0-9]+)+", "write the digits without separators"),
    (r"[-+]?\.(?i:inf|nan)", "only finite numbers are allowed"),
    (r"(?i:y|yes|on|true)", "`{0}` is text here; a truth value is written true"),
    (r"(?i:n|no|off|false)", "`{0}` is text here; a truth value is written false"),
    (r"(?i:null)", "`{0}` is text here; an empty value is written null"),
    (r"[0-9]{4}-[0-9]{2}-[0-9]{2}.*", "a date is text here"),
)


def _got(value: object) -> str:
    return f'"{shown(value)}"' if isinstance(value, Quoted) else shown(value)


def _child(data: Any, step: str | int) -> tuple[bool, Any]:
    """Whether `data` has the entry `step`, and the entry."""
    if isinstance(data, dict) and step in data:
        return True, data[step]
    inside = isinstance(data, (list, tuple)) and isinstance(step, int) and step < len(data)
    return (True, data[step]) if inside else (False, None)


@dataclass(frozen=True)
class _Fault:
    """One pydantic error with its real place; `forks` are the unions passed: place and branch."""

    kind: str
    loc: Loc
    forks: tuple[tuple[Loc, str], ...]
    problem: Problem


def _real_place(data: Any, raw: ErrorDetails) -> tuple[Loc, tuple[tuple[Loc, str], ...]]:
    """Part pydantic's place into keys that the data has and names of union branches."""
    loc: Loc = ()
    forks: tuple[tuple[Loc, str], ...] = ()
    for i, step in enumerate(raw["loc"]):
        known, child = _child(data, step)
        if known or (raw["type"] == "missing" and i == len(raw["loc"]) - 1):
            loc, data = (*loc, step), child
        elif step != "[key]":
            forks = (*forks, (loc, str(step)))
    return loc, forks


def _fault(document: Document, data: Any, at: Loc, raw: ErrorDetails, model: type[BaseModel] | None) -> _Fault:
    kind, facts, value = raw["type"], raw.get("ctx", {}), raw["input"]
    loc, forks = _real_place(data, raw)
    got = "" if kind in _WITHOUT_GOT else _got(value)
    hint = ""
    cause = facts.get("error")
    if isinstance(cause, QuantityError):
        facts = {"message": cause.message, "got": shown(cause.got), "expected": cause.expected, "hint": cause.hint}
    if "message" in facts:
        message, got, expected, hint = (str(facts.get(k, "")) for k in ("message", "got", "expected", "hint"))
        loc = (*loc, *facts.get("at", ()))
    elif known := max((start for start in _PHRASES if kind.startswith(start)), key=len, default=""):
        message, expected = (part.format_map(facts) for part in _PHRASES[known])
    else:
        message, expected = re.sub("^(Value error|Assertion failed), |^Input (?=should )", "", raw["msg"]), ""
        got = "" if isinstance(value, (dict, list, BaseModel)) else got
    if kind == "missing" and isinstance(loc[-1], int):
        kind, message, loc = "too_short", "too few entries", loc[:-1]
    if kind.startswith("union_tag"):
        loc = (*loc, facts["discriminator"].strip("'"))
        got = shown(facts["tag"]) if "tag" in facts else ""
    if kind == "extra_forbidden":
        models, name = _models_at(model, raw["loc"]), str(loc[-1])
        retired = next((m.retired[name] for m in models if issubclass(m, Strict) and name in m.retired), "")
        hint = retired or _nearest(name, _known_keys(models), "known keys: ")
    elif expected and kind in ("literal_error", "enum", "union_tag_invalid"):
        hint = _nearest(got.strip('"'), re.findall("'([^']*)'", expected), "")
    elif kind.startswith(_SCALARS) and isinstance(value, str):
        hint = hint if kind == "quantity" and isinstance(value, Quoted) else _trap(value) or hint
    absent = kind in ("missing", "union_tag_not_found")
    if document.data is None:
        message, got = "the file holds nothing", ""
    at_key = absent or kind == "extra_forbidden" or raw["loc"][-1:] == ("[key]",)
    place = document.place((*at, *(loc[:-1] if absent else loc)), key=at_key)
    path = path_text((*at, *loc))
    return _Fault(kind, loc, forks, Problem(str(document.path), *place, path, message, got, expected, hint))


def _trap(text: str) -> str:
    """The hint for a plain scalar that YAML readers disagree on, or for a number in quotes."""
    if isinstance(text, Quoted):
        return "remove the quotes" if not isinstance(plain_value(text), str) and text else ""
    return next((hint.format(shown(text)) for pattern, hint in _TRAPS if re.fullmatch(pattern, text)), "")


def _nearest(name: str, known: Sequence[str], otherwise: str) -> str:
    near = difflib.get_close_matches(name[:60].lower(), known, n=1, cutoff=0.6)
    if near:
        return f"did you mean '{near[0]}'?"
    return f"{otherwise}{', '.join(known[:12])}{', …' if len(known) > 12 else ''}" if otherwise and known else ""


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    """Every model class in an annotation, however it is wrapped."""
    if isinstance(annotation, type) and get_origin(annotation) is None and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for part in get_args(annotation) for model in _models_in(part)]


def _models_at(model: type[BaseModel] | None, loc: Sequence[str | int]) -> list[type[BaseModel]]:
    """The models that could stand where a key was found."""
    models = [model] if model else []
    for step in loc[:-1]:
        fields = [f for m in models for name, f in m.model_fields.items() if step in (name, f.alias)]
        tagged = [m for m in models if step == m.__name__ or step in _tags(m)]
        models = [inner for f in fields for inner in _models_in(f.annotation)] if fields else tagged or models
    return models


def _known_keys(models: Sequence[type[BaseModel]]) -> list[str]:
    return list(dict.fromkeys(f.alias or name for m in models for name, f in m.model_fields.items()))


def _tags(model: type[BaseModel]) -> list[Any]:
    literals = [f.annotation for f in model.model_fields.values() if get_origin(f.annotation) is Literal]
    return [tag for literal in literals for tag in get_args(literal)]


def _misfit(faults: Sequence[_Fault]) -> tuple[int, int]:
    """How far a union branch is from the one meant: wrong choices (its tag) first, then all faults."""
    return sum(fault.kind == "literal_error" for fault in faults), len(faults)


def _settle_unions(faults: Sequence[_Fault], level: int = 0) -> Iterator[Problem]:
    """Keep, of the branches of each union, the one that was meant, or make one problem of all."""
    groups: dict[Loc | int, list[_Fault]] = {}
    for i, fault in enumerate(faults):
        groups.setdefault(fault.forks[level][0] if len(fault.forks) > level else i, []).append(fault)
    for place, group in groups.items():
        if isinstance(place, int):
            yield group[0].problem
            continue
        branches: dict[str, list[_Fault]] = {}
        for fault in group:
            branches.setdefault(fault.forks[level][1], []).append(fault)
        fitting = [b for b in branches.values() if all(len(fault.loc) > len(place) for fault in b)]
        if len(branches) == 1 or fitting:
            yield from _settle_unions(min(fitting or branches.values(), key=_misfit), level + 1)
            continue
        flat = [fault.problem for fault in group if len(fault.loc) == len(place)]
        main = next((f.problem for f in group if f.kind == "quantity" and f.problem in flat), flat[0])
        message = main.message if main.hint else "fits none of the forms allowed here"
        wanted = " or ".join(dict.fromkeys(p.expected for p in flat if p.expected))
        yield replace(main, message=message, expected=wanted)


def problems_of(
    document: Document, error: ValidationError, at: Loc = (), model: type[BaseModel] | None = None
) -> list[Problem]:
    """Put the errors of pydantic into plain words, with their places in the file.

    Parameters
    ----------
    document : Document
        The file the data came from.
    error : ValidationError
        What pydantic raised.
    at : tuple of str or int
        Where in the document the validated data stands.
    model : type, optional
        The model validated against, for the known keys in hints.

    Returns
    -------
    list of Problem
        One for each fault; the branches of a union are reduced to the one that was meant.
    """
    data = document.data
    for step in at:
        data = _child(data, step)[1]
    raws = error.errors(include_url=False)
    found = list(_settle_unions([_fault(document, data, at, raw, model) for raw in raws[:MOST_FAULTS]]))
    if len(raws) > MOST_FAULTS:
        message = f"{len(raws) - MOST_FAULTS:,} further problems are not listed"
        last = max(found, key=lambda problem: (problem.line, problem.column))
        found.append(Problem(last.file, last.line, last.column, "", message, hint="correct those above first."))
    return found


def validate(document: Document, model: type[M], *, at: Loc = (), context: Mapping[str, Any] | None = None) -> M:
    """Make a model from a document, or from a part of it.

    Parameters
    ----------
    document : Document
        From `read_document`.
    model : type
        The model wanted.
    at : tuple of str or int
        Where the part stands; the whole by default.
    context : mapping, optional
        Passed on to the validators, beside "yaml": True.

    Returns
    -------
    model
        The validated instance.

    Raises
    ------
    InputError
        With every problem at once.
    """
    data = document.data
    for i, step in enumerate(at):
        known, data = _child(data, step)
        if not known:
            place = document.place(at[:i], key=True)
            raise InputError([Problem(str(document.path), *place, path_text(at[: i + 1]), "required key missing")])
    faults = list(document.faults)
    try:
        made = model.model_validate(data, context={"yaml": True, **(context or {})})
    except ValidationError as error:
        raise InputError(faults + problems_of(document, error, at, model)) from None
    if faults:
        raise InputError(faults)
    return made
