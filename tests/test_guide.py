"""What DEVELOPERS.md names is there."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parent.parent
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_each_test_that_the_guide_names_exists() -> None:
    written = "\n".join(p.read_text("utf-8") for p in (ROOT / "tests").rglob("test_*.py"))
    named = set(re.findall(r"`(test_\w+)`", GUIDE))
    assert len(named) > 10
    assert sorted(n for n in named if f"def {n}(" not in written) == []


def test_each_file_that_the_guide_names_exists() -> None:
    named = set(
        re.findall(
            r"(?:^|[ `(])((?:tests|shared|features|models|pipeline|reports|fixtures)/[\w/]+\.py)",
            GUIDE,
        )
    )
    assert named
    assert sorted(n for n in named if not (ROOT / n).is_file()) == []
