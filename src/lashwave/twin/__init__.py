"""Room: twin (see docs/rooms): a simulated throw, seen by simulated instruments, with its truth."""

from lashwave.twin.bench import make

__all__ = ["make"]
