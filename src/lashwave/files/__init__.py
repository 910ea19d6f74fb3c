"""Room: files (see docs/rooms)."""
