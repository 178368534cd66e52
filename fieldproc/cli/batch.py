"""Commands over many inputs: the plan, what happens, and the table at the end."""

from __future__ import annotations

import argparse
import json
import os
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from fieldproc import child
from fieldproc.cli.talk import Advanced, PlainBars, RichBars, bars, complain, note, put, remark, say
from fieldproc.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from fieldproc.batch import Command, Course, Decision, Doing, Event, Job, Report, Watcher

# What children are forked with, without and with what only pays for several.
_PRELOAD = (("fieldproc.pipeline", "fieldproc.page"), ("fieldproc.batch.preload",))
# Of a closing table; the whole message was told when the session ended.
_LONGEST_MESSAGE = 70


def process_all(arguments: argparse.Namespace, command: Command, *, figures: bool) -> ExitCode:
    """Inputs to result folders, several at a time."""
    if not arguments.dry_run and arguments.scheduler is None:
        # it loads what children need while this process finds out what is to be done
        child.prepare(_PRELOAD[len(arguments.inputs) > 1])
    from fieldproc.batch import Job, decide, find_inputs, result_folders
    from fieldproc.settings import load_settings

    if arguments.json and not arguments.dry_run:
        raise UsageError("--json goes with --dry-run; a batch that runs writes OUT/status.json")
    settings = load_settings(arguments.settings)
    folders = result_folders(find_inputs(arguments.inputs), arguments.output, command)
    jobs = [Job(path, folder, command, settings, figures, arguments.strict) for path, folder in folders.items()]
    if arguments.dry_run:
        return _show_plan([decide(job, again=arguments.again) for job in jobs], as_json=arguments.json)
    return _run(arguments, command, jobs)


def _run(arguments: argparse.Namespace, command: Command, jobs: list[Job]) -> ExitCode:
    from fieldproc.batch import STATUS, EventFile, StatusFile, decide, locked, run_batch
    from fieldproc.results import sweep

    output: Path = arguments.output
    with ExitStack() as stack:
        shown = stack.enter_context(bars())
        watchers: list[Watcher] = []
        # a slip of the keyboard must not leave an empty folder behind
        if any(job.path.exists() for job in jobs):
            stack.enter_context(locked(output, lock=not arguments.no_lock))
            for line in sweep(output):
                remark(f"{output}: {line}")
            watchers.append(StatusFile(output / STATUS))
        if arguments.events is not None:
            watchers.append(EventFile(arguments.events, _clock()))
        # last: a terminal that can't be written to must not keep the files from telling
        watchers.append(_Teller(shown))
        decisions = [decide(job, again=arguments.again) for job in jobs]
        decisions, at_a_time, doing = _workers(arguments, decisions)
        return run_batch(command, decisions, output, at_a_time, doing, watchers)


def _workers(arguments: argparse.Namespace, decisions: list[Decision]) -> tuple[list[Decision], int, Doing]:
    """Who does the work, and how much of it at a time: children of this process, or a cluster.

    One session alone is worked on here, and the cluster solves its frequencies.
    """
    from fieldproc.batch import Local

    to_run = sum(decision.action == "run" for decision in decisions)
    if arguments.scheduler is not None and to_run > 1:
        from fieldproc.batch import Remote
        from fieldproc.cluster import connect

        cluster = connect(arguments.scheduler)
        for notice in cluster.notices:
            remark(notice)
        # as many as workers have hands: one that waits behind a long one could be done by others
        at_a_time = max(1, sum(cluster.client.nthreads().values()))
        return decisions, at_a_time, Remote(cluster, arguments.patience, arguments.memory)
    at_a_time = max(1, min(arguments.jobs, to_run))
    memory_bytes = None if arguments.memory is None else int(arguments.memory * child.GIB)
    shared = [
        replace(one, job=replace(one.job, processes=at_a_time, scheduler=arguments.scheduler)) for one in decisions
    ]
    return shared, at_a_time, Local(child.Limits(60.0 * arguments.patience, memory_bytes))


def _clock() -> Callable[[], float]:
    """Seconds since 1970; a fixed moment where SOURCE_DATE_EPOCH says that all of this is to be reproducible."""
    stated = os.environ.get("SOURCE_DATE_EPOCH")
    if stated is None:
        return time.time
    if not (stated.isascii() and stated.isdecimal() and len(stated) <= 11):
        raise UsageError(f"SOURCE_DATE_EPOCH is {stated!r}; give whole seconds since 1970, or unset it")
    moment = float(stated)
    return lambda: moment


def _show_plan(decisions: list[Decision], *, as_json: bool) -> ExitCode:
    """What would be done, and why; nothing is."""
    if as_json:
        plan = [
            {"input": str(one.job.path), "folder": str(one.job.folder), "action": one.action, "reason": one.reason}
            for one in decisions
        ]
        put(f"{json.dumps({'sessions': plan}, indent=2, sort_keys=True)}\n")
    else:
        for one in decisions:
            say(f"{one.job.path}: {one.action}: {one.reason}")
    return ExitCode.DONE


class _Teller:
    """Tells a person what happens."""

    def __init__(self, shown: PlainBars | RichBars) -> None:
        self._bars = shown

    def __call__(self, course: Course, event: Event) -> None:
        """Progress, how each session ended, and a table at the end where there are several."""
        from fieldproc.batch import Closed, Ended, Planned, Progressed

        match event:
            case Planned():
                for one in course.decisions:
                    if one.action == "run" and one.reason != "new":
                        remark(f"{one.job.path}: again: {one.reason}")
            case Progressed(job, progress):
                self._bars.advance(Advanced(job.path.name, "frequencies", progress.done, progress.total))
            case Ended(report):
                self._ended(course, report)
            case Closed():
                for line in _closing_table(course) if len(course.decisions) > 1 else ():
                    say(line)

    def _ended(self, course: Course, report: Report) -> None:
        path = report.job.path
        self._bars.remove(path.name)
        if not report.kept:
            note(path, report.notices)
        if not report.done:
            complain(report.message)
        else:
            tell = say if report.code == ExitCode.DONE else complain
            tell(f"{path}: {'kept: ' if report.kept else ''}{report.message} -> {report.job.folder}")
        left_s, whole, ended = course.left_s(), len(course.decisions), len(course.reports())
        if left_s is not None and ended < whole and not report.kept:
            remark(f"{ended} of {whole} sessions, about {_duration(left_s)} left")


def _closing_table(course: Course) -> list[str]:
    rows = [("session", "result", "code", "time", "")]
    for standing in course.standings.values():
        report, name = standing.report, standing.job.folder.name
        if report is None:
            rows.append((name, standing.state, "", "", ""))
            continue
        took = "" if report.kept else _duration(report.seconds)
        rows.append((name, standing.state, str(int(report.code)), took, _brief(report)))
    widths = [max(len(row[column]) for row in rows) for column in range(4)]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, (*widths, 0), strict=True)) for row in rows]
    counts = ", ".join(f"{count} {state}" for state, count in course.counts().items())
    return ["", *(line.rstrip() for line in lines), counts]


def _brief(report: Report) -> str:
    """What the session came to, or the first fault, without the paths that stand elsewhere."""
    told = report.message.splitlines()[-1 if report.code == ExitCode.BUG else 0]
    told = told.removeprefix(f"{report.job.path}: ")
    return told if len(told) <= _LONGEST_MESSAGE else f"{told[: _LONGEST_MESSAGE - 3]}..."


def _duration(seconds: float) -> str:
    if seconds < 100:
        return f"{seconds:.0f} s"
    minutes = seconds / 60
    return f"{minutes:.0f} min" if minutes < 100 else f"{minutes / 60:.1f} h"
