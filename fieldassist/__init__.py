"""fieldassist: an offline voice checklist for road-testing automatic transmissions, and its deduction."""

__version__ = "0.1.0"
