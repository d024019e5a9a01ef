"""Rows on pages: nothing lost, nothing split that belongs together."""

from __future__ import annotations

from chamberdrift.reports.flow import (
    Row,
    TableColumn,
    Words,
    heading,
    paginate,
    paragraph,
    space,
    table,
)
from hypothesis import given, settings
from hypothesis import strategies as st


def row(name: str, height: float = 10.0, *, keep: bool = False) -> Row:
    return Row(height, (Words(0.0, 8.0, name),), keep=keep)


def names(page: list[Row]) -> list[str]:
    return [r.words[0].text for r in page if r.words]


@given(st.lists(st.tuples(st.floats(5.0, 60.0), st.booleans()), max_size=60))
@settings(max_examples=100, deadline=None)
def test_every_row_stands_once_and_pages_hold_them(items: list[tuple[float, bool]]) -> None:
    rows = [row(str(i), h, keep=k) for i, (h, k) in enumerate(items)]
    pages = paginate(rows, 100.0)
    assert [n for p in pages for n in names(p)] == [str(i) for i in range(len(rows))]
    for page in pages:
        tall = sum(r.height for r in page)
        assert tall <= 100.01 or all(r.keep for r in page[:-1])


def test_a_heading_stays_with_what_follows() -> None:
    rows = [row("a", 80.0), *heading("Title", 200.0), row("b", 30.0)]
    first, second = paginate(rows, 120.0)
    assert names(first) == ["a"]
    assert names(second) == ["Title", "b"]


def test_a_table_repeats_its_header() -> None:
    made = table(
        [TableColumn("unit", 100.0), TableColumn("site", 100.0)],
        [((f"u{i}", "s"), "") for i in range(30)],
    )
    pages = paginate(made, 120.0)
    assert len(pages) > 2
    assert all(p[0].words[0].text == "unit" for p in pages)
    cells = [w.text for p in pages for r in p[1:] for w in r.words if w.text.startswith("u")]
    assert cells == [f"u{i}" for i in range(30)]


def test_no_white_space_at_the_head_of_a_page() -> None:
    first, second = paginate([row("a", 95.0), space(20.0), row("b")], 100.0)
    assert names(second) == ["b"]
    assert second[0].words
    assert len(first) == 1


def test_a_wrapped_cell_is_cut_at_its_most_lines() -> None:
    columns = [TableColumn("text", 60.0, cut="wrap", most_lines=2)]
    made = table(columns, [(("a long text that goes on and on over many lines",), "")])
    lines = [w.text for w in made[1].words]
    assert len(lines) == 2
    assert lines[-1].endswith("…")


def test_paragraph_lead_and_indent() -> None:
    lines = paragraph("one two three four five six seven", 80.0, lead="1.", hang=12.0)
    assert lines[0].words[0].text == "1."
    assert all(line.words[-1].x == 12.0 for line in lines)
