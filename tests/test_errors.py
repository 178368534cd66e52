"""Refusals carry everything a person needs, and end in the exit code of the file contracts."""

from __future__ import annotations

from fieldproc.errors import ExitCode, NumericalError, OutputError, Problem, SessionError, UsageError


def test_exit_codes_are_those_of_the_contract() -> None:
    assert {code.name: int(code) for code in ExitCode} == {
        "DONE": 0,
        "MISSED_TOLERANCE": 1,
        "USAGE": 2,
        "BATCH_FAILED": 3,
        "REFUSED": 4,
        "NOT_WRITTEN": 5,
        "LOCKED": 6,
        "LIMIT": 7,
        "BUG": 70,
        "INTERRUPTED": 130,
        "TERMINATED": 143,
    }
    assert (UsageError.exit_code, SessionError.exit_code, NumericalError.exit_code, OutputError.exit_code) == (
        2,
        4,
        4,
        5,
    )


def test_session_error_lists_every_problem_with_the_path_first() -> None:
    problems = [
        Problem("/positions@units", '"inch"', '"m"', "convert the positions"),
        Problem("/valid", "point=5", "point=6", "one value per point"),
    ]
    assert str(SessionError("scan.h5", problems)).splitlines() == [
        'scan.h5: /positions@units: found "inch"; required "m"; fix: convert the positions',
        "scan.h5: /valid: found point=5; required point=6; fix: one value per point",
    ]


def test_numerical_error_says_what_to_change() -> None:
    error = NumericalError("expand", "number of unknowns", "200", "the 120 points of this scan", "scan more points")
    assert str(error) == "expand: number of unknowns is 200, limit the 120 points of this scan; scan more points"
