"""Taking out what the cabinet scatters of the room's sound, where that brings separated and gated spectra nearer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fieldproc.conventions import Floats, Integers, amplitude_db
from fieldproc.errors import NumericalError
from fieldproc.expand.scattering import CabinetScattering, body_scattering, rigid_body
from fieldproc.expand.seam import best_agreement, difference, overlap
from fieldproc.records import Cabinet, Deviations, Expansion, Verdict
from fieldproc.settings import ScatteringSettings
from fieldproc.waves.scatterer import RigidBody, RigidSphere

# A body is taken out unasked if separated and gated spectra then differ less by this much.
PROOF_DB = 1.0
# Standard uncertainty of what is taken out, re itself: cabinets are neither quite rigid nor quite boxes.
_UNSURE = 0.1
# Edges so nearly alike may be those of a box around a ball.
_CUBE = 1.1


def remove_scattering(
    separated: Expansion, gated: Expansion | None, cabinet: Cabinet | None, settings: ScatteringSettings
) -> tuple[Expansion, list[str]]:
    """The separated expansion with its scattering known, and taken out where the settings or the data say so.

    ``NumericalError`` where the settings insist on a body that nothing describes.
    """
    center_m = separated.origin_m[0] if cabinet is None else cabinet.center_m
    bodies = _bodies(cabinet, settings)
    believed = np.all(separated.quality.verdict < Verdict.DO_NOT_USE, axis=1)
    rows = np.flatnonzero((separated.regular_order >= 0) & believed)
    if not bodies or not rows.size:
        return separated, []
    chosen, why = _choice(separated, gated, center_m, bodies, settings)
    name = chosen or next(iter(bodies))
    found = body_scattering(separated, center_m, bodies[name], rows, deviations=True)
    known = rows[~np.isnan(found.to_direct_db[rows]).any(axis=1)]
    if not known.size:
        return separated, [
            f"the room's sound that the cabinet scatters is left in: frequencies too high for the {name}"
        ]
    quality = replace(separated.quality, scattering_db=_of_rows(found.to_direct_db, rows))
    size = _largest(found.to_direct_db, known, separated.frequency_hz)
    told = f"the cabinet scatters the room's sound: {size}, {name}"
    deviations = _deviating(separated, found, taken=chosen is not None)
    if chosen is None:
        return replace(separated, quality=quality, deviations=deviations), [f"{told}; left in{why}"]
    direct = separated.outgoing - np.nan_to_num(found.outgoing)
    above = f"; left in above {found.top_frequency_hz:.0f} Hz" if known.size < rows.size else ""
    expansion = replace(separated, outgoing=direct, quality=quality, deviations=deviations)
    return expansion, [f"{told}; taken out{why}{above}"]


def _deviating(separated: Expansion, found: CabinetScattering, *, taken: bool) -> Deviations | None:
    """Deviations with one more cause, the scattering: all of it where it is left in, a share where it is taken out.

    What is taken out deviates as the room's sound does.
    """
    deviations = separated.deviations
    if deviations is None:
        return None
    outgoing = []
    for row, own in enumerate(deviations.outgoing):
        scattered = np.nan_to_num(found.outgoing[row, :, None, : own.shape[2]])
        if taken and row in found.deviations:
            own = own - found.deviations[row]
        count = min(own.shape[1], 1)
        outgoing.append(
            np.concatenate([own, ((_UNSURE if taken else 1.0) * scattered)[:, :count]], axis=1).astype(own.dtype)
        )
    return replace(deviations, outgoing=tuple(outgoing), causes=(*deviations.causes, "scattering"))


def _bodies(cabinet: Cabinet | None, settings: ScatteringSettings) -> dict[str, RigidBody]:
    """Bodies that may stand for the cabinet, by their names in words; the first is the one to report."""
    bodies: dict[str, RigidBody] = {}
    if settings.sphere_radius_m != "auto":
        bodies[f"rigid sphere of {settings.sphere_radius_m:.3f} m"] = RigidSphere(settings.sphere_radius_m)
    elif cabinet is not None:
        bodies["rigid sphere of the cabinet's volume"] = rigid_body(cabinet, "sphere")
        if settings.body == "auto" and cabinet.size_m.max() < _CUBE * cabinet.size_m.min():
            bodies["rigid sphere within the cabinet's size"] = RigidSphere(0.5 * float(cabinet.size_m.min()))
    if cabinet is not None and settings.body in ("auto", "box"):
        if settings.body == "box":
            bodies.clear()
        bodies["rigid box of the cabinet's size"] = rigid_body(cabinet, "box")
    if (settings.body == "sphere" and not bodies) or (settings.body == "box" and cabinet is None):
        instead = ", or set scattering.sphere_radius_m" if settings.body == "sphere" else ""
        raise NumericalError(
            "expand",
            "what scatters the room's sound",
            "no cabinet stated",
            f"a {settings.body}",
            f"state /loudspeaker/cabinet_size_m and cabinet_center_m{instead}",
        )
    return bodies


def _choice(
    separated: Expansion,
    gated: Expansion | None,
    center_m: Floats,
    bodies: dict[str, RigidBody],
    settings: ScatteringSettings,
) -> tuple[str | None, str]:
    """Which body to take out (None: none), and why, in words."""
    if settings.body == "none":
        return None, ""
    if settings.body != "auto":
        return next(iter(bodies)), ""
    both = overlap(separated, gated) if gated is not None else np.zeros(0, dtype=np.int64)
    if gated is None or not both.size:
        return None, ", since no gated spectra tell whether taking it out is right"
    differ_db = {}
    for name, body in {"": None, **bodies}.items():
        outgoing = separated.outgoing[both]
        if body is not None:
            outgoing = outgoing - np.nan_to_num(body_scattering(separated, center_m, body, both).outgoing[both])
        missed = difference(outgoing, gated.outgoing[both])
        differ_db[name] = float(amplitude_db(best_agreement(separated.frequency_hz, both, missed)[1]))
    best = min(bodies, key=lambda name: differ_db[name])
    why = (
        f": separated and gated spectra differ by {differ_db['']:.1f} dB with the scattering left in, "
        f"by {differ_db[best]:.1f} dB with it taken out"
    )
    return (best if differ_db[best] <= differ_db[""] - PROOF_DB else None), why


def _largest(to_direct_db: Floats, rows: Integers, frequency_hz: Floats) -> str:
    level_db = np.max(to_direct_db[rows], axis=1)
    at = int(np.argmax(level_db))
    return f"up to {level_db[at]:.1f} dB re its own ({frequency_hz[rows[at]]:.0f} Hz)"


def _of_rows(values: Floats, rows: Integers) -> Floats:
    """Values of some rows, nan elsewhere."""
    kept = np.full_like(values, np.nan)
    kept[rows] = values[rows]
    return kept
