"""The tuft's width and the line's centre, on painted pictures."""

import cv2
import numpy as np
import pytest

from lashwave.points.background import background
from lashwave.points.tip.find_tip import tips_in
from lashwave.points.tip.tuft import tuft_of, tuft_widths
from tests.points.painted_line import Painted, bend, coverage

SIZE = (320, 256)


def hang(frame: float) -> np.ndarray:
    """Swings from the left edge."""
    tip = np.array([100.0 + 4.0 * frame, 90.0 + 30.0 * np.sin(frame / 6.0)])
    return bend(np.array([-20.0, 100.0 + frame]), np.array([50.0 + frame, 60.0 + frame]), tip)


def spread(frame: int) -> float:
    """[px]"""
    return 10.0 + 14.0 * np.sin(frame / 9.0) ** 2


class Tufted(Painted):
    """With twelve strands of 0.6 px beyond the tip."""

    def clean(self, frame: int) -> np.ndarray:
        place = np.concatenate([[-1, 1], np.sin(np.linspace(-1.3, 1.3, 10))])
        points = self.line(frame)
        ahead = points[-1] - points[-2]
        ahead = ahead / np.hypot(*ahead)
        side = np.array([-ahead[1], ahead[0]])
        hidden = np.zeros(self.size[::-1])
        for p in place:
            end = points[-1] + 45.0 * ahead + 0.5 * spread(frame) * p * side
            strand = coverage(np.stack([points[-1], end]), np.full(2, 0.3), self.size)
            hidden = np.maximum(hidden, strand)
        return super().clean(frame) * (1 - 0.95 * cv2.GaussianBlur(hidden, (0, 0), 0.7))


def test_widths_follow_the_fan_and_the_tip_stays_at_its_root():
    frames = Tufted(SIZE, 34, hang, noise=3.0, wires=False).all()
    seen = list(tips_in(frames, background(frames)))
    assert len(seen) > 20
    root = np.array([s.fit.uv - hang(s.frame)[-1] for s in seen])
    sd = np.array([s.fit.sd for s in seen])
    assert np.sqrt(np.mean((root / sd[:, None]) ** 2)) < 1.5
    found = [t for t in map(tuft_of, seen) if t is not None]
    assert len(found) > 15
    off = np.array([t.width - spread(t.frame) for t in found])
    sd = np.array([t.width_sd for t in found])
    assert np.median(np.abs(off)) < 1.5
    assert np.sqrt(np.median((off / sd) ** 2)) < 1.5
    rows = tuft_widths(found, 2000.0)
    np.testing.assert_allclose(rows.width * 2000.0, [t.width for t in found])
    assert (np.diff(rows.frame) > 0).all()


def test_a_line_without_tuft_has_no_width():
    frames = Painted(SIZE, 34, hang, noise=3.0, wires=False).all()
    seen = list(tips_in(frames, background(frames)))
    assert len(seen) > 25
    assert sum(tuft_of(s) is not None for s in seen) == 0


def test_centre_line_lies_on_the_painted_axis():
    frames = Painted(SIZE, 34, hang, noise=3.0, wires=False).all()
    for s in list(tips_in(frames, background(frames)))[::6]:
        axis = hang(s.frame)
        fine = np.concatenate(
            [np.linspace(a, b, 40) for a, b in zip(axis[:-1], axis[1:], strict=True)]
        )
        inner = s.line.uv[6:-20]
        off = np.sqrt(np.square(inner[:, None] - fine).sum(axis=-1)).min(axis=1)
        # Dust under the line (one speck lies on its way here) shifts a few points by a pixel.
        assert np.quantile(off, 0.85) < 0.2
        assert s.line.arc[-1] == pytest.approx(np.hypot(*np.diff(s.line.uv, axis=0).T).sum())
