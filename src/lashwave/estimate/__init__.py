"""Room: estimate (see docs/rooms)."""
