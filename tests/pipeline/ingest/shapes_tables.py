"""Preambles, feet, blocks, long tables, several units, archives."""

from __future__ import annotations

import gzip
import io
import zipfile

import numpy as np
from chamberdrift.shared.config import Assignment, Config, Defaults, Site, Unit

from .shapes_common import BERLIN, HEAD, C, iso
from .truth import Cycle, Shape, cycle, lines, num, sited, zoned


def table_shapes() -> list[Shape]:
    """Preambles, feet, blocks, long tables, several units, archives."""
    z = zoned()
    rows = iso()
    long_rows = [
        line
        for when, t, p in zip(C.local(BERLIN), C.t, C.p, strict=True)
        for line in (
            f"{when:%Y-%m-%d %H:%M:%S};Chamber temperature;{num(t)};°C",
            f"{when:%Y-%m-%d %H:%M:%S};Chamber pressure;{num(p)};kPa abs",
        )
    ]
    by_channel = [r for k in (0, 1) for r in long_rows[k::2]]
    preamble = [f"Parameter {k}: value {k}" for k in range(400)]
    mixed = [
        "Logger export",
        "Device;S-12;;",
        "Logger serial: 00778",
        "Operator = desk 3",
        "",
        "Remarks\tchecked, cleaned; ok",
        "Calibrated: 2023-11-02",
        "Created: 2024-05-21 18:00",
        "",
    ]
    feet = ("", "Maximum,121.8,206.0", "Minimum,21.9,101.3", "Rows: 360", "End of report")
    two = []
    for k, (when, t, p, q) in enumerate(zip(C.local(BERLIN), C.t, C.p, C.load, strict=True)):
        two.append(f"S-12;{when:%Y-%m-%d %H:%M:%S};{num(t)};{num(p)}")
        two.append(f"S-13;{when:%Y-%m-%d %H:%M:%S};{num(q)};{num(p)}")
        del k
    again = cycle("2024-05-21T11:00:00")
    blocks = lines(
        ["Cycle 1", "Start: 2024-05-21 10:00:00", "", "Elapsed [s],T [°C],P [kPa abs]"]
        + [f"{k * 10},{num(t)},{num(p)}" for k, (t, p) in enumerate(zip(C.t, C.p, strict=True))]
        + ["", "Cycle 2", "Start: 2024-05-21 13:00:00", "", "Elapsed [s],T [°C],P [kPa abs]"]
        + [
            f"{k * 10},{num(t)},{num(p)}"
            for k, (t, p) in enumerate(zip(again.t, again.p, strict=True))
        ]
    )
    joined = Cycle(
        *(np.concatenate([getattr(C, n), getattr(again, n)]) for n in ("ms", "t", "p", "load"))
    )
    repeated = [*rows[:100], HEAD, *rows[100:200], "", HEAD, *rows[200:]]
    text = lines(rows, HEAD).encode()
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as z2:
        z2.writestr("part1.csv", lines(rows[:180], HEAD))
        z2.writestr("part2.csv", lines(rows[180:], HEAD))
        z2.writestr("readme.txt", "These files were exported by the front desk.\n")
    outside = Config(
        defaults=Defaults(zone=BERLIN),
        assignments=(Assignment("00778", "S-12"),),
        units=(Unit("S-12"),),
    )
    return [
        Shape("long preamble", lines(rows, *preamble, HEAD).encode(), C, config=z),
        Shape(
            "mixed preamble",
            lines(rows, *mixed, HEAD).encode(),
            C,
            file="inbox/2024.csv",
            config=z,
        ),
        Shape(
            "feet and summary",
            lines(rows, HEAD, foot=feet).encode(),
            C,
            config=z,
            dropped={"not_a_sample": 4},
        ),
        Shape(
            "repeated headers and blank lines",
            lines(repeated, HEAD).encode(),
            C,
            config=z,
            dropped={"repeated_header": 2},
        ),
        Shape(
            "blank line between rows",
            lines([x for r in rows for x in (r, "")], HEAD).encode(),
            C,
            config=z,
        ),
        Shape("long table", lines(long_rows, "Time;Channel;Value;Unit").encode(), C, config=z),
        Shape(
            "long table, channel after channel",
            lines(by_channel, "Time;Channel;Value;Unit").encode(),
            C,
            config=z,
        ),
        Shape(
            "long table, unit in the name",
            lines(
                [
                    r.rsplit(";", 1)[0]
                    .replace("temperature", "temperature [°C]")
                    .replace("pressure", "pressure [kPa abs]")
                    for r in long_rows
                ],
                "Timestamp;Parameter;Reading",
            ).encode(),
            C,
            config=z,
        ),
        Shape(
            "unit column",
            lines(two, "Unit;Time;Temperature °C;Pressure kPa abs").encode(),
            C,
            unit="S-12,S-13",
            file="all.csv",
            config=z,
        ),
        Shape(
            "several cycles in blocks",
            blocks.encode(),
            joined,
            config=z,
            dropped={"not_a_sample": 2, "repeated_header": 1},
        ),
        Shape("newest first", lines(rows[::-1], HEAD).encode(), C, config=z),
        Shape(
            "rows out of order",
            lines([*rows[:50], rows[51], rows[50], *rows[52:]], HEAD).encode(),
            C,
            config=z,
        ),
        Shape(
            "rows twice",
            lines(rows[:50] + rows[40:], HEAD).encode(),
            C,
            config=z,
            dropped={"duplicate": 10},
        ),
        Shape("gzip", gzip.compress(text, mtime=0), C, file="north/S-12.csv.gz", config=z),
        Shape("zip of two and a note", archive.getvalue(), C, file="north/S-12.zip", config=z),
        Shape(
            "error words",
            lines(
                [
                    r if k % 20 else r.split(",")[0] + ",OL," + r.split(",")[2]
                    for k, r in enumerate(rows)
                ],
                HEAD,
            ).encode(),
            config=z,
            truth=Cycle(C.ms, np.where(np.arange(360) % 20 == 0, np.nan, C.t), C.p, C.load),
        ),
        Shape(
            "sentinels",
            lines(
                [r if k % 20 else r.split(",")[0] + ",-999.0,-999.0" for k, r in enumerate(rows)],
                HEAD,
            ).encode(),
            config=z,
            dropped={"sentinel": 18},
            truth=Cycle(*(np.delete(a, np.arange(0, 360, 20)) for a in (C.ms, C.t, C.p, C.load))),
        ),
        Shape(
            "too many spoilt rows",
            lines(
                [r if k % 3 else r.split(",")[0] + ",-999.0,-999.0" for k, r in enumerate(rows)],
                HEAD,
            ).encode(),
            config=z,
            cause="spoilt",
        ),
        Shape(
            "logger mapped by assignment",
            lines(rows, "Logger serial: 00778", HEAD).encode(),
            C,
            file="x/2024-05-21.csv",
            config=outside,
        ),
        Shape(
            "unit stated twice differently",
            lines(rows, "Unit: S-12", "Sterilizer: S-99", HEAD).encode(),
            config=z,
            cause="unit_id",
        ),
        Shape(
            "no unit anywhere",
            lines(rows, HEAD).encode(),
            file="2024-05-21_100000.csv",
            config=z,
            cause="unit_id",
        ),
        Shape(
            "unit from the folder",
            lines(rows, HEAD).encode(),
            C,
            unit="ST-04",
            file="north/ST-04/2024-05-21_100000.csv",
            config=Config(sites=(Site("north", zone=BERLIN),)),
        ),
        Shape("zone nowhere", text, cause="zone"),
        Shape(
            "zone in the header",
            lines(iso(zone="UTC"), HEAD.replace("Time", "Time (UTC)")).encode(),
            C,
        ),
        Shape(
            "zone offset in the header",
            lines(iso(), HEAD.replace("Time", "Time [UTC+02:00]")).encode(),
            C,
            config=zoned("Asia/Tokyo"),
        ),
        Shape(
            "zone above",
            lines(iso(zone="America/New_York"), "Time zone: America/New_York", HEAD).encode(),
            C,
        ),
        Shape("zone of the site", text, C, config=sited()),
        Shape(
            "zone above, summer time unclear",
            lines(rows, "Time zone: UTC+01:00", "Daylight saving: on", HEAD).encode(),
            cause="zone",
        ),
        Shape("header only", (HEAD + "\n").encode(), config=z, cause="not_an_export"),
        Shape(
            "one row",
            lines(rows[:1], HEAD).encode(),
            config=z,
            truth=Cycle(C.ms[:1], C.t[:1], C.p[:1], C.load[:1]),
        ),
        Shape(
            "two rows",
            lines(rows[:2], HEAD).encode(),
            config=z,
            truth=Cycle(C.ms[:2], C.t[:2], C.p[:2], C.load[:2]),
        ),
    ]
