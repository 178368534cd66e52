"""A scan of a point source against the only field a point source can have."""

from fieldproc.validate.validate import Validation, validate, validation_directions

__all__ = ["Validation", "validate", "validation_directions"]
