"""Roads to the car that move bytes: the only I/O towards an adapter."""
