"""More than one motion that the sightings leave open, and how probable each is."""

from __future__ import annotations

from dataclasses import dataclass

from lashwave.quantities.arrays import Array, Whole


@dataclass(frozen=True)
class Apart:
    """Where and when a motion differs most from the most probable one."""

    begin: float
    """[s], of the times at which they differ by half of the most, or more, around that"""
    end: float
    """[s]"""
    near: float
    """[m], of the stations at which they do, the nearest to the butt"""
    far: float
    """[m]"""
    distance: float
    """[m], the most"""


@dataclass(frozen=True)
class Motions:
    """Two motions or more that fit alike; draws are shared out among them by probability."""

    probability: Array
    """(M,) [1], the most probable first"""
    of_draw: Whole
    """(D,), the motion that each draw is of, 0 for the first"""
    apart: tuple[Apart, ...]
    """(M - 1,), of the first and each of the others"""
    depending: tuple[str, ...] | None = None
    """Names of the answers that depend on which of them it was; None where that is not told"""

    def of_answers(self) -> str:
        """Which answers depend on the motion, for a user."""
        if self.depending is None:
            return "the less probable motions have too few draws to say which answers they change"
        if not self.depending:
            return "no answer depends on which of the motions it was"
        return f"on which of the motions it was depend {', '.join(self.depending)}"

    def said(self) -> str:
        """What a user must know of them."""
        named = " and ".join(f"{p:.2g}" for p in self.probability)
        places = "; ".join(
            f"from {a.begin:.4f} to {a.end:.4f} s between stations {a.near:.2f} and {a.far:.2f} m, "
            f"by up to {1e3 * a.distance:.3g} mm"
            for a in self.apart
        )
        other = "the other differs" if len(self.apart) == 1 else "the others differ"
        return (
            f"{self.probability.size} motions fit all sightings alike, with probabilities {named}: "
            f"{other} from the first most {places}; the motion that is given is the first, and "
            "draws, intervals and answers are of all of them"
        )
