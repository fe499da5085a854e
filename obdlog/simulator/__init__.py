"""A simulated car and adapter, opened by URL like any other link."""
