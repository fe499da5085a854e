"""The self-contained hand-over report."""
