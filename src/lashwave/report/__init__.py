"""Room: report (see docs/rooms)."""
