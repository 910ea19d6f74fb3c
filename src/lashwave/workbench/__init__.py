"""Room: workbench (see docs/rooms)."""
