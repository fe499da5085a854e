"""Headers, checksums and reassembly: adapter lines in, one message per ECU out; pure."""
