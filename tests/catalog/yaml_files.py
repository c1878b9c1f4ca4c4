"""What the reader tests share: the type of a reader, and the problems of a refusal."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import strategies as st

from catalog.errors import InputError
from catalog.reading import Document

Read = Callable[[str | bytes], Document]
INDICATORS = st.lists(
    st.sampled_from([*"\n \t-?:,[]{}#&*!|>'\"%@`~<\\=", "a", "0", "1", ": ", "- ", "\n  ", "&a ", "*a", "<<: ", "---"]),
    max_size=40,
).map("".join)


def refused(call: Callable[[], Any]) -> list[str]:
    """The problems of an InputError, without the file's folder."""
    with pytest.raises(InputError) as caught:
        call()
    return [str(p).removeprefix(str(Path(p.file).parent)).lstrip("/") for p in caught.value.problems]
