"""Known sources, known rooms, known scans: practice sessions whose truth is a closed form.

``simulate(scene, seed)`` makes the session, ``truth(scene)`` what a perfect measurement would find. Nothing
here uses the package's wave functions or solvers, so that it can serve as an independent judge of them.
"""

from fieldproc.simulate.named_scenes import NAMED_SCENES
from fieldproc.simulate.scene import Scene, load_scene
from fieldproc.simulate.simulate import Truth, room_to_direct_db, simulate, true_positions, truth

__all__ = ["NAMED_SCENES", "Scene", "Truth", "load_scene", "room_to_direct_db", "simulate", "true_positions", "truth"]
