"""Benchmarks are scripts beside the package: let the tests find them."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
