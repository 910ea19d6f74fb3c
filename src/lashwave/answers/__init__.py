"""Room: answers (see docs/rooms)."""
