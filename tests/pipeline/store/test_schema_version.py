"""The columns of a store belong to a schema version; a change of one raises it."""

from __future__ import annotations

from pathlib import Path

from chamberdrift.pipeline.store.samples import SCHEMA
from chamberdrift.pipeline.store.specs import SPECS
from chamberdrift.shared.version import SCHEMA_VERSION

DATA = Path(__file__).parent / "data"


def listing() -> list[str]:
    """Return a line a column: table, name, type."""
    rows = [f"traces {field.name} {field.type}" for field in SCHEMA]
    rows += [f"{name} {c.name} {c.dtype}" for name, s in SPECS.items() for c in s.table.columns]
    return sorted(rows)


def test_the_columns_are_those_of_the_schema_version() -> None:
    """Else raise SCHEMA_VERSION in shared/version.py and add the file of that number.

    It is made by ``python tests/pipeline/store/test_schema_version.py``. Files of
    earlier versions stay as they are.
    """
    path = DATA / f"schema-{SCHEMA_VERSION}.txt"
    assert listing() == path.read_text(encoding="utf-8").splitlines()


if __name__ == "__main__":
    (DATA / f"schema-{SCHEMA_VERSION}.txt").write_text(
        "\n".join(listing()) + "\n", encoding="utf-8", newline="\n"
    )
