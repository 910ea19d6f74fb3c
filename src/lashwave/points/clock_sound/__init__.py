"""When: flashes, strobes and bangs that tell a clock's offset."""
