"""Is this machine fit for the work? Versions, means, a self-test, and what to beware of."""

from fieldproc.doctor.diagnosis import Diagnosis, examine

__all__ = ["Diagnosis", "examine"]
