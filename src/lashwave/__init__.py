"""lashwave: the whole motion of a fast, slender, tapered line from partial records of it."""

__version__ = "0.1.0"
