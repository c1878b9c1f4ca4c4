"""A reader of YAML texts, by each of both parsers."""

from __future__ import annotations

from pathlib import Path

import pytest
from yaml_files import Read

from catalog import documents
from catalog.reading import Document, read_document


@pytest.fixture(params=["libyaml", "python"])
def read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> Read:
    if request.param == "python":
        monkeypatch.setattr(documents, "_by_libyaml", lambda text: None)

    def write_and_read(text: str | bytes) -> Document:
        path = tmp_path / "job.yaml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_document(path)

    return write_and_read
