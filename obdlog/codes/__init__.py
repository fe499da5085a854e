"""Trouble codes: what they mean, whether each is a fault or an after-effect, what to look at."""
