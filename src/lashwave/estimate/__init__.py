"""Room: estimate. Sightings and mechanics become one motion with its covariance."""

from lashwave.estimate.fusion import estimate
from lashwave.estimate.options import Options

__all__ = ["Options", "estimate"]
