"""Far field and standard curves of a loudspeaker from near-field scans taken in an ordinary room."""

__version__ = "0.1.0"
