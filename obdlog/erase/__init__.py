"""Erasing codes: evidence first, each request once, then the read-back.

The order is the safety: nothing here can send an erase before the evidence of the same connection
was written, synced and read back from disk.
"""
