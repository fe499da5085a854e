"""The session file: format, writer and reader."""
