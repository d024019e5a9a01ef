"""An id that is not known is met with the likely one, or with where to look."""

from __future__ import annotations

import pytest
from chamberdrift.pipeline.names import likely_ids, not_known

FLEET = ["ST-07", "ST-12", "ST-120", "unit 4"]


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("st-07", ["ST-07"]),
        ("ST7", ["ST-07"]),
        ("st_012", ["ST-12"]),
        ("Unit04", ["unit 4"]),
        ("ST-007", ["ST-07"]),
        ("ST-121", ["ST-120", "ST-12"]),
        ("ST-88", []),  # another unit, not a slip of the hand
        ("boiler", []),
    ],
)
def test_ids_that_differ_little_are_offered(typed: str, meant: list[str]) -> None:
    assert sorted(likely_ids(typed, FLEET)) == sorted(meant)


def test_the_message_offers_ids_or_a_command() -> None:
    near = str(not_known("unit", "ST7", FLEET, table="units", location="fleet"))
    assert near == "no unit is called 'ST7'; did you mean 'ST-07'?"
    far = str(not_known("unit", "ST-88", FLEET, table="units", location="fleet"))
    assert far.endswith("all are listed by: chamberdrift table units --store fleet")
