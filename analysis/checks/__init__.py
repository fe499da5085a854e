"""One module per check that computes; range checks stand in data."""
