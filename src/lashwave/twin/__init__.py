"""Room: twin (see docs/rooms)."""
