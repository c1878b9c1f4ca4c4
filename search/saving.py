"""Sets of files that come to a folder as a whole: written beside the old ones first, then put in their place.

One process at a time works in a folder. What one that was killed has left there is put in place by the next if its set
was complete, and cleared away if not. Only files that say in their first line that kitwright wrote them are replaced or
removed. What the files hold is the business of others.
"""

from __future__ import annotations

import errno
import os
import shutil
import stat
import sys
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from catalog.errors import InputError, Problem

__all__ = ["LEFT_BEHIND", "MARK", "claimed", "is_ours", "make_folder", "write_set"]

MARK = "# Written by kitwright rank; it may be replaced by --overwrite."
LEFT_BEHIND = ".kitwright-"  # how all names begin that stand in a folder only while it is written to
_LOCK, _NEW, _READY = f"{LEFT_BEHIND}lock", f"{LEFT_BEHIND}new", f"{LEFT_BEHIND}ready"
_SET, _LEAVING = "set", "leaving"  # in _NEW and _READY: the files, and the names of those that they replace
_PATIENCE = 20.0  # s until another process must have written its set


def is_ours(file: Path) -> bool:
    """Whether a path is a regular file that says itself that kitwright wrote it."""
    mark = MARK.encode()
    try:
        if not stat.S_ISREG(file.lstat().st_mode):
            return False
        with file.open("rb") as stream:
            return stream.readline(len(mark) + 2).rstrip(b"\r\n") == mark
    except OSError:
        return False


def make_folder(folder: Path) -> None:
    """Make a folder, and those that it stands in, unless it is there.

    Raises
    ------
    InputError
        If the system refuses.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _refused(error, folder) from None


@contextmanager
def claimed(folder: Path) -> Iterator[None]:
    """Keep other processes out of a folder that is there; what a killed one left is finished or cleared away first.

    Raises
    ------
    InputError
        If the system refuses what is done there, another process does not end, or a foreign file is in the way of a
        set that a killed process had ready.
    """
    try:
        with _locked(folder / _LOCK):
            shutil.rmtree(folder / _NEW, ignore_errors=True)
            _put_in_place(folder)
            yield
    except OSError as error:
        raise _refused(error, folder) from None


def _refused(error: OSError, folder: Path) -> InputError:
    place = str(folder if error.filename is None else error.filename)
    message = f"cannot be written: {error.strerror or error}"
    return InputError([Problem(place, 0, 0, "", message, hint="check space and permissions.")])


def write_set(folder: Path, texts: Mapping[str, str], leaving: Sequence[str] = ()) -> None:
    """Bring a set of files to a claimed folder, then remove those of an earlier set.

    Parameters
    ----------
    folder : Path
        Claimed by the caller.
    texts : mapping of name -> text
        A name may hold folders.
    leaving : sequence of str
        Names of files to remove.

    Raises
    ------
    InputError
        If a file that kitwright did not write is in the way.
    OSError
        If the system refuses; what was there still is.
    """
    _require_free(folder / name for name in texts)
    new = folder / _NEW
    try:
        for name, text in texts.items():
            _write(new / _SET / name, text)
        _write(new / _LEAVING, "\n".join(leaving))
        for inside in (new, *(path for path in new.rglob("*") if path.is_dir())):
            _keep(inside)
        new.rename(folder / _READY)
    except BaseException:
        shutil.rmtree(new, ignore_errors=True)
        raise
    try:
        _put_in_place(folder)
    except KeyboardInterrupt:  # half a set is no set
        _put_in_place(folder)
        raise


def _require_free(targets: Iterable[Path]) -> None:
    """Refuse, by name, what stands in the way and is not ours to replace."""
    blocked = [target for target in targets if os.path.lexists(target) and not is_ours(target)]
    if blocked:
        hint = "move it, or choose another folder."
        raise InputError([Problem(str(file), 0, 0, "", "in the way of a new file", hint=hint) for file in blocked])


def _write(file: Path, text: str) -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    with file.open("x", encoding="utf-8", newline="\n") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())


def _keep(folder: Path) -> None:
    """Have the names in a folder outlast a loss of power, where a system can be asked for it."""
    if hasattr(os, "O_DIRECTORY"):
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(descriptor)
        except OSError as error:
            if error.errno not in (errno.EINVAL, errno.ENOTSUP):  # a file system that knows no such thing
                raise
        finally:
            os.close(descriptor)


def _put_in_place(folder: Path) -> None:
    """Move the set that is ready, if one is, and remove what it replaces; begun again, it goes on where it stopped."""
    ready = folder / _READY
    if not ready.is_dir():
        return
    sources = sorted(path for path in (ready / _SET).rglob("*") if path.is_file())
    moves = [(source, folder / source.relative_to(ready / _SET)) for source in sources]
    _require_free(target for _, target in moves)
    for source, target in moves:
        target.parent.mkdir(parents=True, exist_ok=True)
        source.replace(target)
    leaving = ready / _LEAVING
    for name in leaving.read_text(encoding="utf-8").splitlines() if leaving.exists() else ():
        if is_ours(folder / name):
            (folder / name).unlink()
    _keep(folder)
    shutil.rmtree(ready)


@contextmanager
def _locked(file: Path) -> Iterator[None]:
    """Hold the lock of a file; the system takes it back when the process ends, however it ends."""
    until = time.monotonic() + _PATIENCE
    while (descriptor := _lock_of(file)) is None:
        if time.monotonic() > until:
            hint = "try again when it has ended."
            raise InputError([Problem(str(file.parent), 0, 0, "", "another kitwright is writing here", hint=hint)])
        time.sleep(0.02)
    try:
        yield
    finally:
        with suppress(PermissionError, FileNotFoundError):  # Windows removes no open file: there an empty one stays
            file.unlink()
        os.close(descriptor)


def _lock_of(file: Path) -> int | None:
    """The descriptor of a locked file; None if another process has the lock, or removes the file just now."""
    descriptor = os.open(file, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        _lock(descriptor)
        if os.path.samestat(os.fstat(descriptor), file.stat()):
            return descriptor
    except (BlockingIOError, PermissionError, FileNotFoundError):
        pass
    except BaseException:
        os.close(descriptor)
        raise
    os.close(descriptor)
    return None


if sys.platform == "win32":
    import msvcrt

    def _lock(descriptor: int) -> None:
        """Lock an open file, or raise PermissionError."""
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(descriptor: int) -> None:
        """Lock an open file, or raise BlockingIOError."""
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
