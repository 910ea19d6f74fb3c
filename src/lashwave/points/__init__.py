"""Room: points (see docs/rooms)."""
