"""The result folder of ``fieldproc tune``, as bytes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from fieldproc.outcome import Judgement, complete, session_facts, table_files
from fieldproc.records import Scalar
from fieldproc.settings import Settings, dump_settings
from fieldproc.tuning.tune import Recommendation, gain_db, recommend
from fieldproc.tuning.words import lines, tables

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Tuned:
    """The files of the result folder by their path there, what to tell line by line, and notes."""

    files: Mapping[str, bytes]
    lines: tuple[str, ...]
    notices: tuple[str, ...]


def tune(path: Path, settings: Settings, progress: Progress) -> Tuned:
    """Sweep one scan and recommend settings; see :func:`recommend`."""
    return files_of(recommend(path, settings, progress), path.stem)


def files_of(found: Recommendation, name: str) -> Tuned:
    """What was found, as files and words; ``name`` is that of the input."""
    told = lines(found, name)
    made = {table.name: table for table in tables(found)}
    files = {**table_files([made]), "tune.txt": ("\n".join(told) + "\n").encode()}
    if found.settings.report.figures:
        # the drawing library takes a second to load
        from fieldproc.report import draw_sweep

        drawn = draw_sweep(made, found.session.title)
        files |= {f"figures/{name}": data for name, data in drawn.items()}
    if found.why_auto:
        files["table.toml"] = dump_settings(found.table).encode()
    facts = {
        **session_facts(found.session, found.spectra, found.settings),
        "recommended": f"auto: {found.why_auto}" if found.why_auto else "table",
    }
    notices = found.spectra.notices + found.auto.notices
    judgement = Judgement(
        found.spectra.frequency_hz,
        (found.auto if found.why_auto else found.tuned).quality.verdict,
        found.spectra.channel_names,
        notices,
        found.spectra.dropped,
        _scalars(found),
    )
    return Tuned(complete(files, found.settings, facts, judgement), tuple(told), notices)


def _scalars(found: Recommendation) -> dict[str, Scalar]:
    frequency_hz = found.spectra.frequency_hz[found.judged]
    first = found.choices[0]
    gains = {
        f"gain_of_{choice.sweep.candidate.name.replace(' ', '_')}": Scalar(gain_db(choice, first), "dB")
        for choice in found.choices[1:]
    }
    return {
        "lowest_judged": Scalar(float(frequency_hz[0]), "Hz"),
        "highest_judged": Scalar(float(frequency_hz[-1]), "Hz"),
        **gains,
    }
