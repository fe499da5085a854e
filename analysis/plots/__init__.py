"""Figures: each function returns one matplotlib Figure."""
