"""Session files: JSON Lines of everything that was asked of a car and answered."""
