"""Habits of exports from all over the world, and of files glued together.

As the others: combinations of habits, none follows a real logger.
"""

from __future__ import annotations

import numpy as np
from chamberdrift.shared.config import Config

from .shapes_common import BERLIN, HEAD, C, iso
from .truth import Cycle, Shape, lines, rows_of, zoned


def world_shapes() -> list[Shape]:
    """Shapes of other scripts, words, clocks and glued files."""
    return [*_zones_in_names(), *_glued()]


def _zones_in_names() -> list[Shape]:
    """Zones glued to the time's name."""
    good = [
        Shape(
            f"zone glued to a name, {header}",
            lines(iso(zone="UTC"), HEAD.replace("Time", header)).encode(),
            C,
        )
        for header in ("timestamps_UTC", "TimeUtc", "timeUTC", "utc_time", "DateTimeUTC")
    ]
    glued = [
        Shape(
            f"offset glued to a name, {header}",
            lines(iso(), HEAD.replace("Time", header)).encode(),
            C,
        )
        for header in ("timestamp_GMT+2", "Time_UTC+02:00", "time_CEST")
    ]
    return [
        *good,
        *glued,
        Shape(
            "zone glued to both names",
            lines(
                [r.replace(" ", ",", 1) for r in iso(zone="UTC")],
                HEAD.replace("Time", "date_utc,time_utc"),
            ).encode(),
            C,
        ),
        Shape(
            "a name says local, the site says which",
            lines(iso(), HEAD.replace("Time", "time_local")).encode(),
            C,
            config=zoned(),
        ),
        Shape(
            "a name says local, nothing says which",
            lines(iso(), HEAD.replace("Time", "time_local")).encode(),
            config=Config(),
            cause="zone",
        ),
    ]


def _glued() -> list[Shape]:
    """Two exports glued to one file."""
    first, rest = iso()[:180], iso()[180:]
    other_unit = rows_of(
        C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S},{21.5 * 1.8 + 32:.1f},101.3"
    )[180:]
    gauge = rows_of(C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S},{t},{p - 101.325:.1f}")[
        180:
    ]
    utc = iso(zone="UTC")[180:]
    swapped = [",".join(r.split(",")[k] for k in (0, 2, 1)) for r in iso()][300:]
    bad = [
        ("another unit", HEAD, first, HEAD.replace("°C", "°F"), other_unit),
        ("another reference", HEAD, first, HEAD.replace("abs", "gauge"), gauge),
        (
            "another zone",
            HEAD.replace("Time", "Time (UTC+02:00)"),
            first,
            HEAD.replace("Time", "Time (UTC)"),
            utc,
        ),
        (
            "another order of columns",
            HEAD,
            iso()[:300],
            "Time,Pressure (kPa abs),Temperature (°C)",
            swapped,
        ),
    ]
    plain = HEAD.encode("utf-8-sig") + b"\n"
    return [
        *(
            Shape(
                f"glued to an export with {what}",
                lines([*one, head2, *two], head1).encode(),
                config=zoned(),
                cause="header_changes",
            )
            for what, head1, one, head2, two in bad
        ),
        Shape(
            "glued with marks of the encoding in the middle",
            plain + lines(first).encode() + plain + lines(rest).encode(),
            C,
            config=zoned(),
            dropped={"repeated_header": 1},
        ),
        Shape(
            "glued with a mark of the encoding before a row",
            plain + lines(first).encode() + lines(rest).encode("utf-8-sig"),
            C,
            config=zoned(),
        ),
    ]


__all__ = ["Cycle", "np", "world_shapes"]
