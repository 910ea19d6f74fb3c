"""The tip's station of a camera whose pictures are yet to be searched, beside the line's end."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile

from lashwave.files.trial_folder import read_pictures
from lashwave.quantities.errors import InputError
from tests.files.test_located import FILES, TRIAL

LENGTH = 2.4
BARE = TRIAL[: TRIAL.index("[[microphones]]")].replace(
    'points = "tip.csv"\nfronts = "fronts.csv"', 'frames = "film.tif"'
)


def tip_of(folder: Path, stated: str) -> float:
    for name, text in FILES.items():
        (folder / name).write_text(text)
    (folder / "onsets.csv").unlink()
    assert BARE.count('tip = "2.4 m"') == 1
    (folder / "trial.toml").write_text(BARE.replace('"2.4 m"', f'"{stated}"'))
    tifffile.imwrite(
        folder / "film.tif", np.full((2, 480, 640), 100, np.uint8) + np.uint8([[[0]], [[1]]])
    )
    return read_pictures(folder).tip["tip-view"]


@pytest.mark.parametrize("stated", ["2.400000001 m", "2.400001 m", "2.4004 m"])
def test_a_tip_past_the_line_by_rounding_alone_is_the_line_s_end(
    tmp_path: Path, stated: str
) -> None:
    assert tip_of(tmp_path, stated) == LENGTH


def test_a_feature_short_of_the_end_keeps_its_station(tmp_path: Path) -> None:
    assert tip_of(tmp_path, "2.399998 m") == pytest.approx(2.399998, abs=1e-12)


def test_a_tip_past_the_line_is_refused_and_the_difference_shown(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        tip_of(tmp_path, "2.41 m")
    assert "cameras[0].stations.tip: 2.41 m lies outside the line; expected 0 to 2.4 m" in str(
        caught.value
    )
