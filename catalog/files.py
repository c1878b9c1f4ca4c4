"""The one way in which files are opened for reading: regular files of bounded size, as UTF-8 text.

What the text means is read elsewhere: YAML in `catalog.documents`, dyno curves in `catalog.dyno`.
"""

from __future__ import annotations

import hashlib
import os
import stat
from pathlib import Path
from typing import NamedTuple

from catalog.errors import InputError, Problem
from catalog.wording import place_after

__all__ = ["FileText", "is_folder", "read_text"]

# A FIFO would make a plain open wait for a writer, and a terminal would become the one that controls us.
_FLAGS = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_BINARY", 0)
_KINDS = (
    (stat.S_ISDIR, "a directory"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


class FileText(NamedTuple):
    """What one file held when it was read.

    Attributes
    ----------
    path : Path
    text : str
        Without byte order mark.
    sha256 : str
        Of the bytes that were read, in hex digits.
    """

    path: Path
    text: str
    sha256: str


def read_text(path: str | Path, most: int) -> FileText:
    """Read a regular file of at most `most` bytes as UTF-8.

    Parameters
    ----------
    path : str or Path
    most : int
        Bytes.

    Returns
    -------
    FileText

    Raises
    ------
    InputError
        If there is no such file, it is a directory, pipe, socket or device, the system refuses its name or its
        reading, it is larger, or it is not UTF-8 (with line and column of the first bad byte).
    """
    path = Path(path)

    def stop(message: str, hint: str = "", line: int = 0, column: int = 0) -> InputError:
        return InputError([Problem(str(path), line, column, "", message, hint=hint)])

    try:
        raw = _read_bytes(path, most + 1)
    except FileNotFoundError:
        raise stop("file not found", "check the path") from None
    except _NotAFileError as error:
        raise stop(f"this is {error}, not a file", "name a regular file") from None
    except OSError as error:
        raise stop(f"cannot be read: {error.strerror or error}", "check name and permissions") from None
    except ValueError:  # a zero character, or half a character that the file system cannot write
        raise stop("cannot be read: no file can have this name", "check the path") from None
    if len(raw) > most:
        raise stop(f"file is larger than {_size(most)}", "split it")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        bad = error.object[error.start]
        place = place_after(error.object[: error.start].decode("utf-8"))
        raise stop(f"not UTF-8 text: bad byte 0x{bad:02x}", "save the file as UTF-8", *place) from None
    return FileText(path, text, hashlib.sha256(raw).hexdigest())


class _NotAFileError(Exception):
    """What stands under the path instead of a regular file."""


def _read_bytes(path: Path, most: int) -> bytes:
    """Up to `most` bytes of a regular file."""
    _require_regular(os.stat(path))  # before opening, which some devices take for an order
    descriptor = os.open(path, _FLAGS)
    with open(descriptor, "rb") as stream:
        _require_regular(os.fstat(descriptor))  # again, of the open file: the name may mean another one by now
        return stream.read(most)


def _require_regular(status: os.stat_result) -> None:
    if not stat.S_ISREG(status.st_mode):
        raise _NotAFileError(next((name for test, name in _KINDS if test(status.st_mode)), "something else"))


def _size(most: int) -> str:
    return f"{most // 2**20} MB" if most >= 2**20 else f"{most // 2**10} kB"


def is_folder(path: Path) -> bool:
    """Whether a path is a directory; a name that the system refuses is none."""
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False
