"""Room: instruments (see docs/rooms)."""
