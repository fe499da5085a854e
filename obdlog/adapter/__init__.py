"""The AT-command dialect of ELM327-style adapters, pure."""
