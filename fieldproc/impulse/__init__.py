"""From a far field over frequency to what it is over time: impulse and step response of any direction.

``impulse_response`` puts a complex pressure on an even grid of frequencies, ends its band smoothly, and transforms.
Samples only: writing them is the work of ``results``.
"""

from fieldproc.impulse.impulse import ImpulseResponse, impulse_response, step_response

__all__ = ["ImpulseResponse", "impulse_response", "step_response"]
