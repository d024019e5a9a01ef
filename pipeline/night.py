"""The night: ingest, extract, judge, publish once, report."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from ..shared.config_file import FILE_NAME, parse_config
from ..shared.config_template import commented_config
from ..shared.errors import ChamberdriftError
from ..shared.parts import SEVERITIES
from .executor import held_executor
from .extract_stage import ExtractResult, extract_units, note_pending
from .heartbeat import note_good_night
from .inbox import scan
from .intake import IngestResult, ingest_inbox
from .judge_stage import JudgeResult, judge_fleet, judged_before, note_rejudge
from .moment import check_hides_nothing, moment_of
from .night_summary import NightSummary
from .report_stage import ReportResult, attention, draw_reports
from .reread import read_again
from .run_log import log_event
from .service_import import import_service
from .settings import decoded, read_settings, write_settings
from .store import Store
from .tidy import tidy
from .views import fleet_view, report_options
from .work import Progress, Work

if TYPE_CHECKING:
    from ..reports.views import FleetView


def run_night(
    inbox: str,
    location: str,
    *,
    as_of: datetime | None = None,
    workers: int = 1,
    scheduler: str | None = None,
    draw: bool = True,
    progress: Progress | None = None,
    rehash: bool = False,
    keep_as_read: bool = False,
) -> NightSummary:
    """Take in an inbox's new exports, judge, publish by one commit, and report.

    Parameters
    ----------
    inbox, location
        Folders or addresses; a store that is not there is made.
    as_of
        Nothing later is seen, and days count from it. None: now.
    workers, scheduler
        Processes to work in, or the address of a Dask scheduler.
    draw
        Write the PDF reports.
    progress
        Called with the stage, the number done and the number in all.
    rehash
        Read every export, changed or not.
    keep_as_read
        Let samples be that were read with other settings and whose exports are gone.

    Raises
    ------
    ChamberdriftError
        If the run failed; nothing was published then.
    """
    check_inbox(inbox, location)
    store = Store.open(location, create=True)
    with store.lock(), held_executor(workers, scheduler):
        said = keep_settings(store, inbox)
        with working(store, as_of, workers, scheduler, progress) as work:
            work.warnings += said
            with work.stage("ingest"):
                taken, service = take_in(work, inbox, rehash=rehash, keep_as_read=keep_as_read)
            with work.stage("extract"):
                found = extract_units(work, taken.since)
            with work.stage("judge"):
                judged = judge_fleet(work)
            tidy(work, taken.units)
            published = publish(work, f"night of {work.as_of:%Y-%m-%d}")
        snapshot = store.snapshot()
        view = fleet_view(snapshot, work.config, work.as_of, since=judged_before(work), drawn=draw)
        reports = ReportResult()
        if draw and (len(view.cycles) or len(view.units)):
            with work.stage("reports"):
                reports = draw_reports(
                    store,
                    snapshot,
                    view,
                    attention(view, judged.units),
                    workers=workers,
                    scheduler=scheduler,
                    progress=progress,
                )
        summary = summarize(
            work,
            view,
            snapshot.commit,
            published=published,
            taken=taken,
            found=found,
            judged=judged,
            reports=reports,
            service=service,
        )
        if not summary.failures:
            note_good_night(store, summary.commit, work.as_of)
    _raise_failures(summary)
    return summary


def take_in(
    work: Work, inbox: str, *, rehash: bool, keep_as_read: bool = False
) -> tuple[IngestResult, tuple[int, Sequence[str]]]:
    """Read what is new in an inbox; return it, and the service entries taken and refused."""
    again = read_again(work, inbox, keep=keep_as_read)
    taken = ingest_inbox(
        inbox,
        work.store,
        work.config,
        txn=work.txn,
        snapshot=again.snapshot,
        recorded_at=work.recorded_at,
        workers=work.workers,
        scheduler=work.scheduler,
        rehash=rehash,
        progress=work.progress,
    )
    since = {u: min(t, again.since.get(u, t)) for u, t in {**again.since, **taken.since}.items()}
    taken = replace(taken, units=tuple(sorted(since)), since=dict(sorted(since.items())))
    refused, entries = import_service(work, inbox, taken)
    note_intake(work, taken)
    return taken, (entries, refused)


def run_ingest(
    inbox: str,
    location: str,
    *,
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
    rehash: bool = False,
) -> NightSummary:
    """Take in an inbox's new exports; which units wait for extraction is kept."""
    check_inbox(inbox, location)
    store = Store.open(location, create=True)
    with store.lock(), held_executor(workers, scheduler):
        said = keep_settings(store, inbox)
        with working(store, None, workers, scheduler, progress) as work:
            work.warnings += said
            with work.stage("ingest"):
                taken, service = take_in(work, inbox, rehash=rehash)
                note_pending(work, taken.since)
            published = publish(work, "ingest")
        commit = store.snapshot().commit
    return summarize(work, None, commit, published=published, taken=taken, service=service)


def run_extract(
    location: str,
    *,
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
    everything: bool = False,
) -> NightSummary:
    """Find the cycles of units that wait for it, or of all."""
    store = Store.open(location)
    with store.lock(), working(store, None, workers, scheduler, progress) as work:
        with work.stage("extract"):
            found = extract_units(work, {}, everything=everything)
            note_rejudge(work)
        published = publish(work, "extract")
        commit = store.snapshot().commit
    summary = summarize(work, None, commit, published=published, found=found)
    _raise_failures(summary)
    return summary


def run_judge(
    location: str,
    *,
    as_of: datetime | None = None,
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> NightSummary:
    """Judge the cycles of a store."""
    store = Store.open(location)
    with store.lock(), working(store, as_of, workers, scheduler, progress) as work:
        with work.stage("judge"):
            judged = judge_fleet(work)
        published = publish(work, f"judged as of {work.as_of:%Y-%m-%d}")
        snapshot = store.snapshot()
        view = fleet_view(snapshot, work.config, work.as_of, drawn=False)
    return summarize(work, view, snapshot.commit, published=published, judged=judged)


@contextmanager
def working(
    store: Store,
    as_of: datetime | None,
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> Iterator[Work]:
    """Begin a transaction; what a failed run has written is removed again."""
    config = read_settings(store.place)
    snapshot = store.snapshot()
    moment = moment_of(as_of, snapshot)
    if as_of is not None:
        check_hides_nothing(snapshot, moment, store.location)
    txn = store.begin(snapshot)
    work = Work(
        store=store,
        config=config,
        snapshot=snapshot,
        txn=txn,
        as_of=moment,
        recorded_at=moment,  # a run's clock is what it looks from: the same run, the same bytes
        workers=workers,
        scheduler=scheduler,
        progress=progress,
    )
    try:
        with held_executor(workers, scheduler):
            yield work
    except BaseException:
        txn.abort()
        raise


def publish(work: Work, note: str) -> bool:
    """Commit what changed; return False, and leave no trace, where nothing did."""
    if not work.changed:
        work.txn.abort()
        return False
    number = work.txn.commit(note)
    log_event("commit", f"published commit {number}", commit=number)
    return True


def keep_settings(store: Store, inbox: str) -> list[str]:
    """Give a new store its configuration; return what there is to say about it.

    It is the one that lies beside the inbox, as a simulated fleet has it, else the
    commented default. Never one from within: many hands write to an inbox.

    Raises
    ------
    ConfigError
        If the file beside the inbox holds a mistake.
    """
    if store.place.exists(FILE_NAME):
        return []
    beside = Path(inbox).absolute().parent / FILE_NAME
    if "://" in inbox or not beside.is_file():
        write_settings(store.place, commented_config())
        return []
    text = decoded(beside.read_bytes(), str(beside))
    parse_config(text, str(beside))
    write_settings(store.place, text)
    return [f"the store is new: its settings are a copy of {beside}, beside the exports"]


def note_intake(work: Work, taken: IngestResult) -> None:
    """Take over what ingest has to tell."""
    for name, why in taken.explained:
        work.explain("ingest", name, why)
    work.warnings += taken.messages
    if len(taken.intake) or taken.units:
        work.changed = True


def check_inbox(inbox: str, location: str) -> None:
    """Fail by name where there is no data yet and nothing to read; no store is made then.

    Raises
    ------
    ChamberdriftError
        If the inbox can't be read or holds no export, and the store no data; or if both are
        one folder: a store is the program's own, and an inbox is only read.
    """
    if _same_place(inbox, location):
        raise ChamberdriftError(
            f"{location} is the inbox, too; name another folder with --store: the exports are "
            "only read, and the store's files are made and removed by the program alone."
        )
    if Store.present(location) and Store.open(location).snapshot().commit > 1:
        return
    looked = scan(inbox)
    if looked.files:
        return
    other = ", ".join(f"{n} × {why}" for why, n in sorted(looked.ignored.items()))
    raise ChamberdriftError(
        f"no exports in {inbox}"
        + (f" (left alone: {other})" if other else "")
        + "; exports end in .csv, .txt or .tsv, also packed as .gz or .zip. "
        "Name the folder that holds them."
    )


def _same_place(inbox: str, location: str) -> bool:
    if "://" in inbox or "://" in location:
        return inbox.rstrip("/") == location.rstrip("/")
    return Path(inbox).resolve() == Path(location).resolve()


def summarize(
    work: Work,
    view: FleetView | None,
    commit: int,
    *,
    published: bool,
    taken: IngestResult | None = None,
    found: ExtractResult | None = None,
    judged: JudgeResult | None = None,
    reports: ReportResult | None = None,
    service: tuple[int, Sequence[str]] = (0, ()),
) -> NightSummary:
    """Gather what a run has to tell."""
    from ..reports import summary_text

    opened: dict[str, int] = {}
    if view is not None:
        severities = view.flags.loc[view.flags["closed_at"].isna(), "severity"]
        opened = {s: int((severities == s).sum()) for s in reversed(SEVERITIES)}
    failures = [*work.failures, *(reports.failures if reports else ())]
    summary = NightSummary(
        store=work.store.location,
        as_of=work.as_of.isoformat().replace("+00:00", "Z"),
        commit=commit,
        published=published,
        stages=tuple(work.seconds),
        exports=_exports(taken.counts) if taken else {},
        refusals=taken.refusals if taken else (),
        units=(taken.units if taken else found.units if found else ()),
        new_cycles=found.new_cycles if found else 0,
        verdicts=judged.cycles if judged else 0,
        flags={"opened": judged.opened, "risen": judged.risen, "closed": judged.closed}
        if judged
        else {},
        open=opened,
        reports=reports.paths if reports else (),
        service_entries=service[0],
        service_refused=tuple(service[1]),
        failures=tuple(failures),
        warnings=tuple(work.warnings),
        seconds=dict(work.seconds),
        explained=(*work.explained, *(reports.explained if reports else ())),
    )
    if view is None:
        return summary
    options = report_options(view.config)
    lines, drawn = summary.fleet_lines(), bool(summary.reports)
    return replace(summary, fleet=summary_text(view, options=options, lines=lines, drawn=drawn))


def _exports(counts: dict[str, int]) -> dict[str, int]:
    """Return exports by outcome; one that was read again and is the same is unchanged."""
    found = {n: counts.get(n, 0) for n in ("accepted", "duplicate", "quarantined", "left")}
    if counts.get("no_exports"):
        found["no_exports"] = counts["no_exports"]
    total = counts.get("looked_at", 0)
    return {"in_inbox": total, **found, "unchanged": max(0, total - sum(found.values()))}


def _raise_failures(summary: NightSummary) -> None:
    """Fail after everything else was published, where single items failed.

    Raises
    ------
    ChamberdriftError
        Naming the items.
    """
    if not summary.failures:
        return
    shown = "; ".join(summary.failures[:3])
    more = f"; and {len(summary.failures) - 3} more" if len(summary.failures) > 3 else ""
    raise PartlyFailedError(
        f"the rest is done and published as commit {summary.commit}, but: {shown}{more}. "
        "They are tried again next time.",
        summary,
    )


class PartlyFailedError(ChamberdriftError):
    """Some items failed; the others are done and published."""

    def __init__(self, message: str, summary: NightSummary) -> None:
        super().__init__(message)
        self.summary = summary
