"""Room: quantities (see docs/rooms)."""
