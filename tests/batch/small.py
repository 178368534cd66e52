"""The smallest scans that a batch can be made of: a second each, from file to tables."""

from __future__ import annotations

from pathlib import Path

from fieldproc.session import write_session
from fieldproc.simulate import Scene, simulate

# Figures, exports and bands of uncertainty take most of the time of a small run, and these tests are about neither.
SETTINGS = "[exports]\nformats = []\n[uncertainty]\nenabled = false\n"
FREQUENCY_HZ = (70.0, 100.0, 125.0)


def write_scan(path: Path, seed: int = 1, points: int = 80, frequency_hz: tuple[float, ...] = FREQUENCY_HZ) -> Path:
    """A point source in a small reflective room, points on two spheres; other seeds, other noise."""
    scene = {
        "title": "Point source on two spheres",
        "source": {
            "kind": "monopoles",
            "monopoles": [{"position_m": (0.012, -0.02, 0.015)}],
            "spectrum": "constant volume velocity",
        },
        "room": {"kind": "shoebox", "order": 1},
        "scan": {"kind": "sphere", "points": points, "radius_m": 0.3, "gap_m": 0.06, "grid": "spiral"},
        "recording": {"kind": "transfer function", "frequency_hz": frequency_hz},
        "noise": {"level_db": -70.0},
    }
    write_session(simulate(Scene.model_validate(scene), seed), path)
    return path


def write_settings(folder: Path, more: str = "") -> Path:
    """A settings file that leaves out what takes time."""
    path = folder / "settings.toml"
    path.write_text(SETTINGS + more, encoding="utf-8")
    return path


def files_below(folder: Path) -> dict[str, bytes]:
    """Every file below a folder by its path there."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}
