"""Scenes that come with the package."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from fieldproc.simulate.scene import (
    CylinderModel,
    ImpulseResponseModel,
    MonopoleModel,
    MonopolesModel,
    NoiseModel,
    Scene,
    ShoeboxModel,
    TransferFunctionModel,
    TwoWayModel,
)

# Sixth octaves about 1 kHz, 31 Hz to 1 kHz.
_SIXTH_OCTAVES_HZ = tuple(1000.0 * 2.0 ** (step / 6.0) for step in range(-30, 1))


def point_source() -> Scene:
    """A point source of known volume velocity, a few centimetres off the origin, in a reflective room."""
    return Scene(
        title="Point source in a reflective room",
        source=MonopolesModel(
            monopoles=(MonopoleModel(position_m=(0.032, -0.021, 0.043)),), spectrum="constant volume velocity"
        ),
        room=ShoeboxModel(order=3),
        scan=CylinderModel(points=840),
        recording=ImpulseResponseModel(sampling_rate_hz=24000.0, samples=2048),
        noise=NoiseModel(level_db=-60.0),
    )


def monopole_cluster() -> Scene:
    """The reference for accuracy: five monopoles within 0.2 m of the origin, about 2000 points on two surfaces."""
    return Scene(
        title="Five monopoles in a reflective room",
        source=MonopolesModel(
            monopoles=(
                MonopoleModel(position_m=(0.12, 0.03, -0.11), gain=1.0),
                MonopoleModel(position_m=(0.11, -0.04, 0.14), gain=0.6, delay_s=90e-6),
                MonopoleModel(position_m=(-0.13, 0.08, 0.02), gain=-0.35, delay_s=210e-6),
                MonopoleModel(position_m=(0.02, 0.15, -0.05), gain=0.45, delay_s=150e-6),
                MonopoleModel(position_m=(-0.04, -0.16, -0.06), gain=0.3, delay_s=40e-6),
            )
        ),
        room=ShoeboxModel(order=3),
        scan=CylinderModel(points=2016),
        recording=TransferFunctionModel(frequency_hz=_SIXTH_OCTAVES_HZ),
        noise=NoiseModel(level_db=-60.0),
    )


def two_way() -> Scene:
    """The two-way demonstration loudspeaker in a reflective room, as impulse responses."""
    return Scene(
        title="Two-way demonstration loudspeaker in a reflective room",
        source=TwoWayModel(),
        room=ShoeboxModel(),
        scan=CylinderModel(points=1150),
        recording=ImpulseResponseModel(sampling_rate_hz=48000.0, samples=4096),
        noise=NoiseModel(level_db=-80.0, relative_to="peak"),
        axis_origin_m=(0.15, 0.0, 0.0),
    )


NAMED_SCENES: Mapping[str, Callable[[], Scene]] = MappingProxyType(
    {"point-source": point_source, "monopole-cluster": monopole_cluster, "two-way": two_way}
)
