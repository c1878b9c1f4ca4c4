"""Files that are none, are too large, or are not text: each refused quickly, by every reader alike."""

from __future__ import annotations

import hashlib
import os
import socket
from collections.abc import Callable
from pathlib import Path

import pytest
from yaml_files import refused

from catalog import load_job
from catalog.documents import read_document
from catalog.dyno import read_dyno
from catalog.files import is_folder, read_text
from catalog.shelf import read_parts, read_shelf

READERS: dict[str, Callable[[Path], object]] = {
    "text": lambda path: read_text(path, 1000),
    "document": read_document,
    "dyno": read_dyno,
    "parts": read_parts,
    "shelf": lambda path: read_shelf([path]),
    "job": load_job,
}
each_reader = pytest.mark.parametrize("reader", READERS.values(), ids=READERS)


def _pipe(path: Path) -> Path:
    os.mkfifo(path)
    return path


def _socket(path: Path) -> Path:
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(path))
    return path


def _folder(path: Path) -> Path:
    (path / "x.yaml").mkdir(parents=True)
    return path / "x.yaml"


def _endless(path: Path) -> Path:
    path.symlink_to("/dev/zero")
    return path


NOT_FILES: dict[str, tuple[Callable[[Path], Path], str]] = {
    "pipe": (_pipe, "this is a pipe, not a file"),
    "socket": (_socket, "this is a socket, not a file"),
    "endless": (_endless, "this is a device, not a file"),
    "folder": (_folder, "this is a directory, not a file"),
}


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs a system with pipes in its folders")
@pytest.mark.parametrize("kind", NOT_FILES)
@each_reader
def test_only_regular_files_are_read(reader: Callable[[Path], object], kind: str, tmp_path: Path) -> None:
    make, words = NOT_FILES[kind]
    path = make(tmp_path / "x.yaml")
    if kind == "folder" and reader is READERS["shelf"]:
        assert "no catalogue file in this folder" in refused(lambda: reader(path))[0]
        return
    (problem,) = refused(lambda: reader(path))
    assert words in problem


@each_reader
@pytest.mark.parametrize("name", ["a\0b.yaml", "a\udc80\ud800.yaml", "x" * 5000])
def test_a_name_that_no_file_can_have_is_a_problem(reader: Callable[[Path], object], name: str, tmp_path: Path) -> None:
    (problem,) = refused(lambda: reader(tmp_path / name))
    assert "cannot be read" in problem or "cannot read" in problem
    assert problem.isprintable()


@each_reader
def test_a_missing_file_is_a_problem(reader: Callable[[Path], object], tmp_path: Path) -> None:
    (problem,) = refused(lambda: reader(tmp_path / "gone.yaml"))
    assert "file not found" in problem


@each_reader
def test_text_that_is_not_utf8_is_placed(reader: Callable[[Path], object], tmp_path: Path) -> None:
    path = tmp_path / "latin.yaml"
    path.write_bytes("# é\r\n# ok: é".encode() + b"\xe9\n")
    (problem,) = refused(lambda: reader(path))
    assert problem.startswith("latin.yaml:2:8:")
    assert "not UTF-8 text: bad byte 0xe9" in problem


@pytest.mark.parametrize("content", [b"", b"\n\n", b"# only a note\n", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("reader", [read_dyno, read_parts, load_job])
def test_a_file_without_content_is_placed(reader: Callable[[Path], object], content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "bare.yaml"
    path.write_bytes(content)
    (problem,) = refused(lambda: reader(path))
    assert problem.startswith("bare.yaml:1:1:")


def test_no_more_than_the_limit_is_read(tmp_path: Path) -> None:
    path = tmp_path / "long"
    path.write_bytes(b"x" * 2048)
    assert read_text(path, 2048).text == "x" * 2048
    assert refused(lambda: read_text(path, 2047)) == ["long: file is larger than 1 kB; split it"]


def test_the_hash_is_that_of_the_bytes_that_were_read(tmp_path: Path) -> None:
    path = tmp_path / "marked"
    path.write_bytes(b"\xef\xbb\xbfa: 1\n")
    read = read_text(path, 100)
    assert (read.text, read.sha256) == ("a: 1\n", hashlib.sha256(b"\xef\xbb\xbfa: 1\n").hexdigest())
    assert read_document(path).sha256 == read.sha256


def test_a_name_that_the_system_refuses_is_no_folder(tmp_path: Path) -> None:
    assert is_folder(tmp_path)
    assert not is_folder(tmp_path / "a\0b")
