"""Words in a film's images: in full, any letter that the font has, cut at the edge."""

from __future__ import annotations

import numpy as np

from lashwave.serving.film_words import put_words


def drawn(text: str, spot: tuple[int, int] = (20, 60)) -> tuple[np.ndarray, int]:
    image = np.full((80, 240, 3), 255, np.uint8)
    end = put_words(image, text, spot, 20, (32, 28, 26))
    return image, end


def test_words_stand_on_their_line_and_end_where_it_is_said() -> None:
    image, end = drawn("AHE")
    rows, columns = np.nonzero((image < 128).all(axis=2))
    assert 58 <= rows.max() <= 59  # letters without a part below the line stand on it
    assert 13 <= rows.max() - rows.min() + 1 <= 16  # capitals: some 0.73 of the body
    assert columns.min() >= 20 and columns.max() < end <= columns.max() + 4


def test_letters_beyond_ascii_are_themselves() -> None:
    marks = [drawn(sign)[0] for sign in "±ü?"]
    assert all((mark < 128).any() for mark in marks)
    assert not any(np.array_equal(mark, marks[-1]) for mark in marks[:-1])


def test_what_lies_outside_is_cut() -> None:
    for spot in ((220, 60), (-10, 60), (20, 4), (300, 60), (20, 200)):
        image, _ = drawn("wide", spot)
        assert image.shape == (80, 240, 3)
    assert (drawn("wide", (220, 60))[0] < 128).any()
    assert (drawn("wide", (300, 60))[0] == 255).all()
