"""Many inputs: what is to be done with each, by whom, and how it ended."""

from fieldproc.batch.course import Closed, Course, Ended, Event, Planned, Progressed, Started, common_code
from fieldproc.batch.inputs import find_inputs, result_folders
from fieldproc.batch.job import Command, Job, Progress, Report
from fieldproc.batch.lock import locked
from fieldproc.batch.records import STATUS, EventFile, StatusFile
from fieldproc.batch.remote import Remote
from fieldproc.batch.resume import Decision, decide
from fieldproc.batch.run import Doing, Local, Watcher, run_batch

__all__ = [
    "STATUS",
    "Closed",
    "Command",
    "Course",
    "Decision",
    "Doing",
    "Ended",
    "Event",
    "EventFile",
    "Job",
    "Local",
    "Planned",
    "Progress",
    "Progressed",
    "Remote",
    "Report",
    "Started",
    "StatusFile",
    "Watcher",
    "common_code",
    "decide",
    "find_inputs",
    "locked",
    "result_folders",
    "run_batch",
]
