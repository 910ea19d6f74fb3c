"""Room: study (see docs/rooms)."""
