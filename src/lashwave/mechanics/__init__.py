"""Room: mechanics (see docs/rooms)."""
