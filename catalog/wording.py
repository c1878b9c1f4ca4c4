"""Texts from outside made fit to print: what a file, a path or an argument holds never drives the terminal.

What a problem says is put together in `catalog.errors`; quantities are printed by `catalog.quantities`.
"""

from __future__ import annotations

import re

__all__ = ["place_after", "printable", "shown"]

_LONGEST = 60  # characters of a value from the input; the place tells the rest
_LINE_END = re.compile(r"\r\n|\r|\n")


def printable(text: str) -> str:
    """Escape every character that is not plainly visible: control, direction and other format characters, halves of
    surrogate pairs, separators other than the space.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        The same where all of it prints.

    Examples
    --------
    >>> printable("42.50 €"), printable("kit\\x1b[2J\\u202e")
    ('42.50 €', 'kit\\\\x1b[2J\\\\u202e')
    """
    return text if text.isprintable() else "".join(c if c.isprintable() else escaped(c) for c in text)


def escaped(character: str) -> str:
    """Write one character as an escape, such as \\\\u202e."""
    return character.encode("unicode_escape").decode()


def shown(value: object) -> str:
    """Name a value found in the input on one short, printable line.

    Parameters
    ----------
    value : object
        Anything a YAML file can hold.

    Returns
    -------
    str
        Such as "true", "nothing", "a list of 3" or the text itself, cut at 60 characters.
    """
    if value is None or isinstance(value, bool):
        return {None: "nothing", True: "true", False: "false"}[value]
    if isinstance(value, (list, tuple, dict)):
        return f"a {'mapping' if isinstance(value, dict) else 'list'} of {len(value)}"
    try:
        text = str(value) if value != "" else "empty text"
    except ValueError:  # an int beyond the digits Python prints
        return "a number too long to print"
    return printable(text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "...")


def place_after(text: str) -> tuple[int, int]:
    """Line and column, from 1, of what follows a text."""
    ends = [match.end() for match in _LINE_END.finditer(text)]
    return len(ends) + 1, len(text) - (ends[-1] if ends else 0) + 1
