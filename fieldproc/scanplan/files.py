"""The result folder of a proposal or of a judgement, as bytes."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from fieldproc.records import Scalar
from fieldproc.results import csv_bytes, provenance, sidecar_bytes, summary_bytes
from fieldproc.scanplan.grid import Grid
from fieldproc.scanplan.plan_file import plan_bytes, positions_csv
from fieldproc.scanplan.predict import Prediction, predict
from fieldproc.scanplan.propose import propose
from fieldproc.scanplan.rehearse import Progress
from fieldproc.scanplan.settings import JudgeSettings, PlanSettings
from fieldproc.scanplan.words import prediction_lines, proposal_lines


@dataclass(frozen=True, slots=True)
class Planned:
    """The files of the result folder by their names, and what to tell, line by line."""

    files: Mapping[str, bytes]
    lines: tuple[str, ...]


def plan(settings: PlanSettings, progress: Progress | None = None) -> Planned:
    """Propose a scan and rehearse it. ``NumericalError`` where the settings leave no scan to propose."""
    proposal = propose(settings)
    prediction = predict(proposal.grid, settings.band, settings.assumptions, progress)
    lines = proposal_lines(proposal, prediction, settings)
    files = {
        "positions.csv": positions_csv(proposal.grid),
        "plan.h5": plan_bytes(proposal.grid, settings.title, settings.device),
    }
    scalars = {
        "inner_radius": Scalar(proposal.inner.radius_m, "m"),
        "inner_half_height": Scalar(proposal.inner.half_height_m, "m"),
        "gap": Scalar(proposal.gap_m, "m"),
        "rings_per_surface": Scalar(proposal.rings, ""),
        "azimuths_per_ring": Scalar(proposal.azimuths, ""),
        "passes": Scalar(proposal.stride**2, ""),
        "duration": Scalar(len(proposal.grid.at_s) * proposal.per_point_s, "s"),
    }
    facts = {"title": settings.title, "device": settings.device}
    return _planned(
        prediction, files, lines, scalars, {**facts, "settings": settings.model_dump_json()}, _digest(proposal.grid)
    )


def judge(grid: Grid, name: str, settings: JudgeSettings, progress: Progress | None = None) -> Planned:
    """Rehearse an existing grid. ``NumericalError`` where its points carry nothing of the band."""
    prediction = predict(grid, settings.band, settings.assumptions, progress)
    lines = [f"{name}: {len(grid.first_visits())} points, {len(grid.at_s)} visits"]
    lines += prediction_lines(prediction, settings.assumptions)
    return _planned(
        prediction, {}, lines, {}, {"session": name, "settings": settings.model_dump_json()}, _digest(grid)
    )


def _digest(grid: Grid) -> str:
    """SHA-256 of the visits as they would be written."""
    return hashlib.sha256(positions_csv(grid)).hexdigest()


def _planned(
    prediction: Prediction,
    files: Mapping[str, bytes],
    lines: list[str],
    scalars: Mapping[str, Scalar],
    facts: Mapping[str, str],
    sha256: str,
) -> Planned:
    table = prediction.table()
    files = {
        **files,
        "prediction.csv": csv_bytes(table),
        "prediction.csv-metadata.json": sidecar_bytes(table),
        "plan.txt": ("\n".join(lines) + "\n").encode(),
    }
    both = prediction.both
    scalars = {
        **scalars,
        "visits": Scalar(len(prediction.grid.at_s), ""),
        "points": Scalar(len(prediction.grid.first_visits()), ""),
        "separated_to": Scalar(0.0 if both is None else both.highest_hz, "Hz"),
        "outgoing_alone_to": Scalar(prediction.alone.highest_hz, "Hz"),
        "highest_degree": Scalar(prediction.alone.degree, ""),
        "drift_leak": Scalar(prediction.leak_db, "dB"),
    }
    expansion = prediction.expansion
    summary = summary_bytes(
        frequency_hz=expansion.frequency_hz,
        verdict=expansion.quality.verdict,
        channel_names=("stand-in",),
        dropped=(),
        scalars=scalars,
        provenance=provenance(sha256, files),
        notices=(*prediction.notices, *expansion.notices),
        facts=facts,
    )
    return Planned({**files, "summary.json": summary}, tuple(lines))
