"""Rows whose ends differ, and cells with line breaks: every row counted, every line known."""

from __future__ import annotations

import pytest

from .shapes_common import HEAD, iso
from .truth import attempt, lines, zoned


@pytest.mark.parametrize("name", ["Note", "F"])
def test_names_between_tabs_never_stand_a_column_off(name: str) -> None:
    # Blanks part these rows more evenly than their tabs do.
    texts = [r.replace(",", "\t") + ("\t" if k % 3 else "\t\t") for k, r in enumerate(iso())]
    head = HEAD.replace(",", "\t") + f"\t{name}"
    reading, refused = attempt(lines(texts, head).encode(), "S-12.csv", zoned())
    assert reading is None
    assert refused is not None
    assert refused.cause == "columns_mismatch"
