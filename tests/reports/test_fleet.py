"""What the fleet report says, read back from the PDF's text or from its tables."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from typing import Any

import pandas as pd
import pytest
from chamberdrift.reports import FleetView, ReportOptions, fleet_report
from chamberdrift.reports.bench import carry_together
from chamberdrift.reports.heat_map import heat_map_rows
from chamberdrift.reports.metrics import text_width_pt
from chamberdrift.reports.opened import open_flags
from chamberdrift.reports.recent import by_part, leading, recent_z
from chamberdrift.reports.states import (
    changed_flags,
    known_units,
    quarantined,
    silent_units,
    verdict_counts,
)
from chamberdrift.reports.views import FleetView as View
from chamberdrift.reports.work_list import one_line
from chamberdrift.shared.config import Config, Unit
from chamberdrift.shared.schema import FLAGS, INTAKE, SERVICE
from pypdf import PdfReader

FORBIDDEN = re.compile(r"\b(pass(ed|es)?|sterile|releas\w*|fail(ed)?)\b", re.IGNORECASE)
"""Words that a page never uses for a verdict."""


def pages(view: FleetView, **options: Any) -> list[str]:
    target = io.BytesIO()
    fleet_report(view, target, options=ReportOptions(**options))
    return [p.extract_text() for p in PdfReader(target).pages]


@pytest.fixture(scope="module")
def view(builder: Any) -> View:
    made: View = builder.fleet_view(12)
    return made


@pytest.fixture(scope="module")
def text(view: View) -> list[str]:
    return pages(view)


def test_first_page_is_the_work_list(text: list[str]) -> None:
    first = text[0]
    for words in (
        "Fleet report",
        "12 units at 4 sites",
        "Work list",
        "■ stop",
        "Otter 01",
        "door seal",
        "12 d (8–20)",
        "12 d (8–over 365)",
        "16 Nov 2026",
        "Heat loss over heat capacity rose from 4.4 to 5.9 K/min",
        "heater (element weak)",
        "own temperature sensor",
    ):
        assert words in first
    assert first.index("Work list") < first.index("Changed since")


def test_gravest_come_first(text: list[str]) -> None:
    listed = re.findall(r"[■▲○] (stop|service|watch)", text[0].split("Work list")[1])
    assert listed == ["stop", "service", "service", "watch", "watch"]


def test_every_section_is_there(text: list[str]) -> None:
    whole = "\n".join(text)
    for words in (
        "Changed since the last report",
        "opened as service",
        "To carry on the round",
        "door seal; cleaning kit",
        "Units without data",
        "Harbour 03",
        "Exports set aside",
        "lakeside/old logger 0.csv",
        "gauge or absolute",
        "Calendar",
        "200 of 90 days since the last service",
        "Cycles and verdicts by site",
        "All units",
        "Residuals by part",
        "store: clinics-store, commit 41",
        "data through 24 Nov 2026",
        "Europe/Paris",
        "from 12 exports",
    ):
        assert words in whole


def test_no_word_of_release(text: list[str]) -> None:
    assert not FORBIDDEN.search("\n".join(text))


def test_every_unit_stands_in_the_small_multiples_and_the_map(view: View, text: list[str]) -> None:
    whole = "\n".join(text[1:])
    for unit in view.config.units:
        assert whole.count(unit.id) == 2


def test_a_fleet_without_flags_says_so(builder: Any) -> None:
    first = pages(builder.fleet_view(2, cycles=5, flagged=0))[0]
    assert "Nothing is flagged." in first
    assert "No open flag" not in first  # exports stand aside, and the head line says that
    assert "2 exports set aside" in first


def test_a_deferral_moves_a_flag_down_but_never_a_stop(builder: Any) -> None:
    view: View = builder.fleet_view(5, cycles=8)
    until = view.as_of + pd.Timedelta(days=10)
    ids = [f"{u}-{p}-1" for u, p in zip(view.flags["unit_id"], view.flags["part"], strict=True)]
    table = pd.DataFrame({"flag_id": ids, "until": until, "reason": "visit on 5 December"})
    table["until"] = table["until"].astype("datetime64[ms, UTC]")
    put_off = replace(view, deferrals=table[table["flag_id"].isin(ids[:2])])
    opened = open_flags(put_off)
    assert list(opened["severity"]) == ["stop", "service", "watch", "watch", "service"]
    assert opened["deferred_until"].notna().tolist() == [False, False, False, False, True]
    first = pages(put_off)[0]
    assert "Deferred until 5 Dec 2026: visit on 5 December" in first
    over = replace(put_off, as_of=until + pd.Timedelta(days=1))
    assert open_flags(over)["deferred_until"].isna().all()


def test_deferred_flags_are_not_carried_for(builder: Any) -> None:
    view: View = builder.fleet_view(5, cycles=4)
    row = view.flags[view.flags["part"] == "heater"].iloc[0]
    table = pd.DataFrame(
        {
            "flag_id": [row["flag_id"]],
            "until": pd.Series([view.as_of + pd.Timedelta(days=5)]).astype("datetime64[ms, UTC]"),
            "reason": ["waiting for the part"],
        }
    )
    assert "heating element" in pages(view)[0]
    assert "heating element" not in pages(replace(view, deferrals=table))[0]


def test_changes_since_the_last_report(builder: Any) -> None:
    at = builder.AS_OF
    hour = pd.Timedelta(hours=1)
    rows = [
        builder.flag("A", severity="watch", first_seen=at - 90 * hour, closed_at=at - 5 * hour,
                     close_reason="risen", recorded_at=at - 80 * hour),
        builder.flag("A", severity="service", first_seen=at - 5 * hour, recorded_at=at),
        builder.flag("B", severity="watch", first_seen=at - 3 * hour, recorded_at=at),
        builder.flag("C", first_seen=at - 200 * hour, closed_at=at - 2 * hour,
                     close_reason="serviced", recorded_at=at - 190 * hour),
        builder.flag("D", first_seen=at - 200 * hour, recorded_at=at - 190 * hour),
        builder.flag("E", first_seen=at - 200 * hour, closed_at=at - 100 * hour,
                     close_reason="recovered", recorded_at=at - 190 * hour),
    ]  # fmt: skip
    view: View = replace(
        builder.fleet_view(1, cycles=2, flagged=0),
        flags=FLAGS.conform(pd.DataFrame(rows)),
        since=at - 24 * hour,
    )
    changed = changed_flags(view)
    assert list(zip(changed["unit_id"], changed["change"], strict=True)) == [
        ("A", "rose to service"),
        ("B", "opened as watch"),
        ("C", "closed: serviced"),
    ]
    assert changed_flags(replace(view, since=None)).empty


def test_silent_units_count_from_their_last_data(builder: Any) -> None:
    view: View = builder.fleet_view(4, cycles=3)
    extra = Config(
        sites=view.config.sites,
        units=(
            *view.config.units,
            Unit("never sent", "lakeside"),
            Unit("gone", "lakeside", retired_at=view.as_of.to_pydatetime()),
        ),
    )
    silent = silent_units(replace(view, config=extra))
    assert list(silent["unit_id"]) == ["never sent", "Harbour 01"]
    assert silent["silent_days"].isna().tolist() == [True, False]
    # last start 9 days and 15 h before the report, the cycle itself took 70 minutes
    expected = 9 + 15 / 24 - 70 / 1440
    assert silent["silent_days"].iloc[1] == pytest.approx(expected, abs=0.01)


def test_counts_by_site_agree_with_counting(view: View) -> None:
    counts = verdict_counts(view).set_index("site")
    site_of = {u.id: u.site for u in view.config.units}
    for site in counts.index:
        own = view.cycles[[site_of[u] == site for u in view.cycles["unit_id"]]]
        assert counts.loc[site, "cycles"] == len(own)
        for verdict in ("inside", "outside", "incomplete"):
            assert counts.loc[site, verdict] == int((own["verdict"] == verdict).sum())
    assert int(counts["units"].sum()) == 12


def test_an_export_that_was_read_later_no_longer_stands_aside(builder: Any) -> None:
    at = builder.AS_OF
    base = {"export": "a.csv", "sha256": "x" * 64, "bytes": 1}
    rows = [
        {**base, "outcome": "quarantined", "reason": "zone", "recorded_at": at},
        {**base, "outcome": "accepted", "recorded_at": at + pd.Timedelta(days=1)},
        {**base, "export": "b.csv", "sha256": "y" * 64, "outcome": "quarantined",
         "reason": "zone", "recorded_at": at},
    ]  # fmt: skip
    assert list(quarantined(INTAKE.conform(pd.DataFrame(rows)))["export"]) == ["b.csv"]


def test_units_that_only_the_store_knows_are_listed(builder: Any) -> None:
    view: View = builder.fleet_view(3, cycles=3)
    bare = known_units(replace(view, config=Config()))
    assert len(bare) == 3
    assert (bare["site"] == "").all()


def test_what_the_bench_said_is_counted(builder: Any) -> None:
    view: View = builder.fleet_view(2, cycles=3)
    unit = view.config.units[0].id
    rows = [
        builder.service_row(unit, 9.0, "heater", "checked", result="confirmed"),
        builder.service_row(unit, 8.0, "door_seal", "replaced", result="confirmed"),
        builder.service_row(unit, 7.0, "vent_path", "checked", result="not_found"),
        builder.service_row(unit, 6.0, "logger", "checked", result="other_part", undone=True),
        builder.service_row(unit, 5.0, "logger", "checked"),
    ]
    told = replace(view, service=SERVICE.conform(pd.DataFrame(rows)))
    words = "Of 3 findings checked at the bench, 2 confirmed, 1 not found, 0 on another part."
    assert words in "\n".join(pages(told))
    assert "checked at the bench" not in "\n".join(pages(view))


def test_exports_with_one_reason_stand_together(builder: Any) -> None:
    view: View = builder.fleet_view(1, cycles=2, flagged=0)
    many = replace(view, intake=builder.intake(["A"], quarantined=400))
    first = pages(many)[0]
    assert first.count("lakeside/old logger") == 1
    assert "400 lakeside/old logger 0.csv" in re.sub(r"\s+", " ", first)


def test_recent_residuals_by_hand() -> None:
    times = pd.date_range("2026-01-01", periods=20, freq="D", tz="UTC")
    frame = pd.DataFrame(
        {
            "unit_id": "u",
            "started_at": [*times, *times],
            "feature": ["heater_duty"] * 20 + ["rise_k_per_min"] * 20,
            "z": [0.0] * 10 + [4.0] * 10 + [-1.0] * 20,
        }
    )
    recent = recent_z(frame)
    # the last 15: five of 0 and ten of 4
    assert dict(zip(recent["feature"], recent["z"], strict=True)) == {
        "heater_duty": 4.0,
        "rise_k_per_min": -1.0,
    }
    assert by_part(recent).loc["u", "heater"] == 4.0
    none = pd.DataFrame({"unit_id": [], "feature": []})
    assert leading(recent, none)["feature"].tolist() == ["heater_duty"]
    flagged = pd.DataFrame({"unit_id": ["u"], "feature": ["rise_k_per_min"]})
    assert leading(recent, flagged)["feature"].tolist() == ["rise_k_per_min"]


def test_evidence_on_one_line_ends_at_a_clause() -> None:
    text = "The rate fell from 5.81 to 3.88 K/min in 13 days; it took 37 % longer. More follows."
    assert one_line(text, 1000.0) == text.split(". More")[0] + "."
    short = one_line(text, 215.0)
    assert short == "The rate fell from 5.81 to 3.88 K/min in 13 days …"
    assert text_width_pt(short, 6.6) <= 215.0


def test_each_unit_is_led_to_its_file_by_name_and_by_link(builder: Any) -> None:
    view = builder.fleet_view(12, cycles=5)
    drawn = list(dict.fromkeys(view.flags["unit_id"]))[:3]
    files = {unit: f"unit-u-{unit.encode().hex()}.pdf" for unit in drawn}
    target = io.BytesIO()
    fleet_report(replace(view, files=files), target)
    reader = PdfReader(target, strict=True)
    whole = " ".join(p.extract_text() for p in reader.pages)
    links = []
    for page in reader.pages:
        for annotation in page.get("/Annots", []):
            links.append(annotation.get_object()["/A"]["/URI"])
    for unit, name in files.items():
        assert re.search(rf"{unit}.{{1,60}}{name}", whole, re.DOTALL)
        assert links.count(name) >= 3  # work list, and both cells of the list of files
    assert set(links) == set(files.values())


def test_without_files_there_is_no_list_of_them(builder: Any) -> None:
    target = io.BytesIO()
    fleet_report(builder.fleet_view(3, cycles=5), target)
    assert "Reports of units" not in PdfReader(target).pages[0].extract_text()


def test_evidence_on_the_work_list_is_in_the_readers_units(builder: Any) -> None:
    target = io.BytesIO()
    options = ReportOptions(temperature_unit="°F", pressure_unit="psi")
    fleet_report(builder.fleet_view(12, cycles=5), target, options=options)
    whole = " ".join(p.extract_text() for p in PdfReader(target).pages)
    assert "rose from 7.9 to 10.6 °F/min" in whole
    assert "K/min" not in whole
    assert "°C" not in whole


def test_a_unit_outside_its_band_without_a_flag_says_so(builder: Any) -> None:
    view = builder.fleet_view(12, cycles=40)
    bare = replace(view, flags=view.flags.head(0))
    target = io.BytesIO()
    fleet_report(bare, target)
    whole = " ".join(p.extract_text() for p in PdfReader(target).pages)
    assert whole.count("outside its band, no flag") == 5
    assert "a triangle: beyond the panel's edge" in re.sub(r"\s+", " ", whole)
    flagged = io.BytesIO()
    fleet_report(view, flagged)
    assert "no flag" not in " ".join(
        p.extract_text().replace("without a flag", "") for p in PdfReader(flagged).pages
    )


def test_a_round_carries_a_spare_for_each_unit_and_each_tool_once() -> None:
    things = carry_together(
        ["door_seal", "heater", "door_seal", "vent_path", "unknown", "unknown"]
    )
    assert things[0] == "door seal ×2"
    assert "heating element and its gasket" in things
    assert things.count("cleaning kit") == 1
    assert "tool kit" in things
    assert carry_together([]) == []


def test_a_large_fleets_map_leaves_out_the_quiet_and_says_how_many(builder: Any) -> None:
    view = builder.fleet_view(80, cycles=3, flagged=80)
    grid = by_part(recent_z(view.residuals))
    calm = grid.index[10:]
    quiet = view.residuals["unit_id"].isin(calm)
    view = replace(
        view,
        flags=view.flags[~view.flags["unit_id"].isin(calm)],
        residuals=view.residuals.assign(z=view.residuals["z"].where(~quiet, 0.2)),
    )
    rows = heat_map_rows(view, {}, known_units(view), ReportOptions())
    words = " ".join(w.text for r in rows for w in r.words)
    found = re.search(r"Largest first; (\d+) quieter units are left out", words)
    assert found is not None
    panels = [r for r in rows if r.panel is not None]
    assert len(panels) == 1
    assert 0 < int(found[1]) < 80
