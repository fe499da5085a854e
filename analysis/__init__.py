"""Judges recorded sessions: loading, checks, figures, comparison and the report."""
