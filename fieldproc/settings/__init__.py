"""All settings: one closed model per stage. An unknown key is an error that names the near misses."""

from fieldproc.settings.closed import (
    MAX_SETTINGS_BYTES,
    Band,
    ClosedModel,
    Vector,
    load_model,
)
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
from fieldproc.settings.settings import (
    Settings,
    dump_settings,
    load_settings,
)
from fieldproc.settings.stages import (
    AxisSettings,
    ExpansionSettings,
    ExtrapolationSettings,
    GateSettings,
    MendingSettings,
    Order,
    OrderSetting,
    OrderSettings,
    OrderTable,
    ScatteringSettings,
    SeparationSettings,
    SpectraSettings,
    UncertaintySettings,
)

__all__ = [
    "MAX_SETTINGS_BYTES",
    "AmplifierSettings",
    "AxisSettings",
    "Band",
    "ClosedModel",
    "EqualizerSettings",
    "ExpansionSettings",
    "ExportSettings",
    "ExtrapolationSettings",
    "FindingsSettings",
    "GateSettings",
    "MendingSettings",
    "Order",
    "OrderSetting",
    "OrderSettings",
    "OrderTable",
    "PlacementSettings",
    "ReportSettings",
    "ScalarSettings",
    "ScatteringSettings",
    "SeatSettings",
    "SeparationSettings",
    "Settings",
    "SpectraSettings",
    "TableSettings",
    "UncertaintySettings",
    "ValidationSettings",
    "Vector",
    "dump_settings",
    "load_model",
    "load_settings",
]
