"""All settings together, and their file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from fieldproc.settings.closed import ClosedModel, load_model
from fieldproc.settings.findings import (
    AmplifierSettings,
    EqualizerSettings,
    FindingsSettings,
    PlacementSettings,
    SeatSettings,
)
from fieldproc.settings.results import (
    ExportSettings,
    ReportSettings,
    ScalarSettings,
    TableSettings,
    ValidationSettings,
)
from fieldproc.settings.stages import (
    AxisSettings,
    ExpansionSettings,
    ExtrapolationSettings,
    GateSettings,
    MendingSettings,
    OrderSettings,
    ScatteringSettings,
    SeparationSettings,
    SpectraSettings,
    UncertaintySettings,
)


class Settings(ClosedModel):
    """Everything a run depends on besides its input."""

    spectra: SpectraSettings = SpectraSettings()
    axis: AxisSettings = AxisSettings()
    mending: MendingSettings = MendingSettings()
    uncertainty: UncertaintySettings = UncertaintySettings()
    separation: SeparationSettings = SeparationSettings()
    gate: GateSettings = GateSettings()
    scattering: ScatteringSettings = ScatteringSettings()
    orders: OrderSettings = OrderSettings()
    expansion: ExpansionSettings = ExpansionSettings()
    extrapolation: ExtrapolationSettings = ExtrapolationSettings()
    tables: TableSettings = TableSettings()
    scalars: ScalarSettings = ScalarSettings()
    findings: FindingsSettings = FindingsSettings()
    equalizer: EqualizerSettings = EqualizerSettings()
    seat: SeatSettings = SeatSettings()
    placement: PlacementSettings = PlacementSettings()
    amplifier: AmplifierSettings = AmplifierSettings()
    exports: ExportSettings = ExportSettings()
    report: ReportSettings = ReportSettings()
    validation: ValidationSettings = ValidationSettings()


def load_settings(path: Path | None) -> Settings:
    """Settings from a TOML file, defaults without one. ``UsageError`` names every bad key at once."""
    return Settings() if path is None else load_model(path, Settings)


def dump_settings(settings: Settings) -> str:
    """TOML text of every setting as it was used; ``load_settings`` reads it back equal."""
    lines = []
    for section, model in settings.model_dump(mode="json").items():
        lines.append(f"[{section}]")
        lines += [f"{key} = {_toml_value(value)}" for key, value in model.items()]
        lines.append("")
    return "\n".join(lines)


def _toml_value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml_value(item) for item in value) + "]"
    return repr(value)
