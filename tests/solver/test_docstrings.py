"""Every public docstring of the solver, parsed: parameters as in the signature, units, a source, what is raised.

The rules are those of the project's own style ("a test parses every public docstring"); no outside source.
"""

import ast
import dataclasses
import enum
import importlib
import inspect
import pkgutil
import re
import textwrap

import pytest

import solver

pytestmark = pytest.mark.invariant

UNITS = {
    "-", "m", "m^2", "1/m", "rad", "rad/m", "m/s", "rad/s", "1/s", "kg", "kg/m", "kg/m^3", "kg m", "kg m^2", "s", "K",
    "N", "N/m", "N/m^2", "N m", "N m/rad", "N m s/rad", "N s^2", "Pa", "J", "W", "W/K",
}  # fmt: skip
SECTIONS = ("Parameters", "Returns", "Raises", "Attributes", "Examples", "Notes")
MODULES = [importlib.import_module(f"solver.{m.name}") for m in pkgutil.iter_modules(solver.__path__)]
ANY_UNIT = ("solver.arrays", "solver.errors")  # what they carry has whatever unit the caller's numbers have
PHYSICS = [m for m in MODULES if m.__name__ not in ANY_UNIT]


def public(modules, kind):
    """(name, object) of the functions or classes that the modules' __all__ name."""
    members = [(f"{m.__name__}.{name}", getattr(m, name)) for m in modules for name in m.__all__]
    return [pytest.param(thing, id=name) for name, thing in members if kind(thing)]


def is_record(thing):
    return inspect.isclass(thing) and dataclasses.is_dataclass(thing)


def methods(modules):
    """(name, function) of the public methods and properties of public classes, as written there."""
    found = []
    for param in public(modules, is_record):
        for name, thing in vars(param.values[0]).items():
            function = getattr(thing, "fget", None) or getattr(thing, "func", None) or thing
            if not name.startswith("_") and inspect.isfunction(function):
                found.append(pytest.param(function, id=f"{param.id}.{name}"))
    return found


def sections(thing):
    """Section title -> its text, dedented; what stands before the first section is under ''."""
    lines = inspect.getdoc(thing).splitlines()
    out, title, skip = {"": []}, "", False
    for line, below in zip(lines, [*lines[1:], ""], strict=True):
        if skip:
            skip = False
        elif line in SECTIONS and set(below) == {"-"}:
            title, skip = line, True
            out[title] = []
        else:
            out[title].append(line)
    return {name: "\n".join(text).strip() for name, text in out.items()}


def entries(text):
    """Name -> units stated for it, from the unindented lines of a section.

    Read are `a, b : array_like [m]`, `a [m], b [N] : words` and lines that end in a comma.
    """
    heads, out = re.sub(r",\n(?=\S)", ", ", text).splitlines(), {}
    for head in heads:
        if head[:1].isspace() or not head:
            continue
        names, _, kind = re.sub(r"\([^()]*\)", "", head).partition(" : ")
        waiting = []
        for item in names.split(","):
            name, *own = (text.strip(" ]") for text in item.split("["))
            waiting.append(name)
            if own:
                out.update(dict.fromkeys(waiting, own))
                waiting = []
        out.update(dict.fromkeys(waiting, re.findall(r"\[([^\]]*)\]", kind)))
    return out


def is_number(annotation):
    """Whether an annotation (text, as the modules postpone them) is a number or an array of numbers."""
    return bool(re.search(r"\b(ArrayLike|Array|Number|float|int|np\.float64|np\.int\w+)\b", str(annotation)))


def numbers_of(signature):
    return [name for name, p in signature.parameters.items() if is_number(p.annotation)]


def signature_of(function):
    signature = inspect.signature(function)
    return signature.replace(parameters=[p for name, p in signature.parameters.items() if name != "self"])


def raises(function, seen=frozenset()):
    """Whether a function, or a function of the solver that it calls by name, raises."""
    if function in seen:
        return False
    tree = ast.parse(textwrap.dedent(inspect.getsource(function)))
    if any(isinstance(node, ast.Raise) for node in ast.walk(tree)):
        return True
    called = {n.func.id for n in ast.walk(tree) if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)}
    there = [function.__globals__[name] for name in called if name in function.__globals__]
    ours = [f for f in there if inspect.isfunction(f) and f.__module__.startswith("solver.")]
    return any(raises(f, seen | {function}) for f in ours)


FUNCTIONS = public(MODULES, inspect.isfunction)
FORMULAS = public(PHYSICS, inspect.isfunction)
RECORDS = public(PHYSICS, is_record)


def test_the_survey_sees_the_solver():
    assert len(PHYSICS) >= 9
    assert len(FORMULAS) > 30
    assert len(RECORDS) > 8
    assert len(methods(PHYSICS)) > 8


@pytest.mark.parametrize("module", MODULES, ids=lambda m: m.__name__)
def test_all_names_every_public_thing_of_its_module(module):
    own = [
        name
        for name, thing in vars(module).items()
        if (inspect.isfunction(thing) or inspect.isclass(thing)) and thing.__module__ == module.__name__
    ]
    assert {name for name in own if not name.startswith("_")} <= set(module.__all__)
    assert module.__doc__


@pytest.mark.parametrize("thing", public(MODULES, lambda t: inspect.isfunction(t) or inspect.isclass(t)))
def test_first_line_is_a_sentence(thing):
    first = sections(thing)[""].split("\n\n")[0]
    assert first.endswith((".", ":"))
    if not (inspect.isclass(thing) and issubclass(thing, enum.Enum)):
        assert not first.startswith(f"{thing.__name__}(")  # dataclass writes such a one by itself


@pytest.mark.parametrize("function", FUNCTIONS)
def test_parameters_are_those_of_the_signature(function):
    listed = entries(sections(function).get("Parameters", ""))
    assert sorted(listed) == sorted(signature_of(function).parameters)


@pytest.mark.parametrize("function", FORMULAS)
def test_every_number_that_goes_in_has_a_known_unit(function):
    listed = entries(sections(function).get("Parameters", ""))
    units = {name: listed.get(name, []) for name in numbers_of(signature_of(function))}
    assert {name: found for name, found in units.items() if len(found) != 1 or found[0] not in UNITS} == {}


@pytest.mark.parametrize("function", FORMULAS)
def test_what_comes_out_is_stated_with_a_known_unit(function):
    head = sections(function).get("Returns", "").partition("\n")[0]
    assert head
    units = re.findall(r"\[([^\]]*)\]", head)
    answer = str(inspect.signature(function).return_annotation)
    if is_number(answer):
        assert units
        assert set(units) <= UNITS
    else:
        assert head == answer


@pytest.mark.parametrize("function", FORMULAS)
def test_a_source_is_named(function):
    text = inspect.getdoc(function)
    assert re.search(r"Source: \S|[Dd]erived here", text)


@pytest.mark.parametrize("function", FUNCTIONS)
def test_what_is_raised_is_said(function):
    said = "Raises" in sections(function)
    assert said == (raises(function))
    if said:
        assert re.match(r"\w*Error\n +\S", sections(function)["Raises"])


@pytest.mark.parametrize("record", RECORDS)
def test_attributes_are_the_fields_with_their_units(record):
    listed = entries(sections(record).get("Attributes", ""))
    fields = {f.name: f for f in dataclasses.fields(record)}
    assert sorted(listed) == sorted(fields)
    numbers = [name for name, field in fields.items() if is_number(field.type) and "np.int" not in str(field.type)]
    assert {n: listed[n] for n in numbers if len(listed[n]) != 1 or listed[n][0] not in UNITS} == {}


@pytest.mark.parametrize("record", RECORDS)
def test_records_say_what_they_refuse(record):
    own = vars(record).get("__post_init__")
    assert ("Raises" in sections(record)) == (own is not None and raises(own))


@pytest.mark.parametrize("method", methods(PHYSICS))
def test_methods_state_a_unit_for_every_number(method):
    """Methods may put it in one sentence; where they have sections, the rules for functions hold."""
    signature, parts = signature_of(method), sections(method)
    numbers, answer = numbers_of(signature), str(signature.return_annotation)
    if "Parameters" in parts:
        listed = entries(parts["Parameters"])
        assert sorted(listed) == sorted(signature.parameters)
        assert all(set(listed[name]) <= UNITS and listed[name] for name in numbers)
    found = re.findall(r"\[([^\[\]]*)\]", inspect.getdoc(method))
    assert set(found) <= UNITS
    outputs = len(re.findall(r"\b(?:Array|Number|float|int)\b", answer))
    assert len(found) >= len(numbers) + outputs
