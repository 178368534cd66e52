"""Degrees and origin swept over one scan: what its points can tell of them, octave by octave, and settings for a run.

Composed of stages, like the pipeline. Remembers nothing: the same file gives the same answer.
"""

from fieldproc.tuning.files import Tuned, tune

__all__ = ["Tuned", "tune"]
