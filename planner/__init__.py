"""The planner: drafts, audits and teaches crop spray programmes, so that modes of action keep working."""

__version__ = "0.1.0"
