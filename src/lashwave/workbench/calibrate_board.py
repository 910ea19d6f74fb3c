"""A board in a plan, and its corners in a picture."""

from __future__ import annotations

from lashwave.calibrate import DICTIONARIES, Board, Corners, find_corners, squares_in
from lashwave.files import Fields
from lashwave.quantities import Frames, Image

TURNED = 6
"""Images in which a board is looked for in a mirror, where none shows it."""
BOARD_KEYS = ("pattern", "squares", "square", "marker", "dictionary")


def read_board(fields: Fields) -> Board:
    """The board that a table describes by `BOARD_KEYS`.

    Raises InputError for what is no board.
    """
    pattern = fields.text("pattern", choices=("chessboard", "charuco"))
    squares = fields.array("squares", (2,))
    if (squares != squares.round()).any() or (squares < 3).any() or (squares > 100).any():
        raise fields.fault("squares", "is not two counts from 3 to 100", "write [across, down]")
    square = fields.number("square", "length", above=0.0, high=10.0)
    if pattern == "chessboard":
        for key in ("marker", "dictionary"):
            if fields.has(key):
                raise fields.fault(key, "goes with a charuco board", "leave it out")
        return Board(int(squares[0]), int(squares[1]), square)
    marker = fields.number("marker", "length", above=0.0, high=10.0)
    if marker >= square:
        raise fields.fault("marker", "is not smaller than the square", "give the code's side")
    codes = fields.text("dictionary", choices=DICTIONARIES)
    return Board(int(squares[0]), int(squares[1]), square, marker, codes)


def refuse_two_ways(fields: Fields, board: Board) -> None:
    """Raise InputError for a board that looks the same turned by half a turn."""
    if board.marker is None and (board.columns % 2 == 0 or board.rows % 2 == 1):
        raise fields.fault(
            "squares", "do not tell which way round the board lies",
            "use a chessboard of an odd and an even count, the odd one first, or a charuco board",
        )  # fmt: skip


def turned_over(frames: Frames, board: Board) -> bool:
    """Whether one of the first images shows the board as a mirror does, or as none does."""
    some = (frames[i][:, ::-1].copy() for i in range(min(len(frames), TURNED)))
    return any(find_corners(image, board) is not None for image in some)


def corners_in(fields: Fields, key: str, camera: str, frames: Frames, board: Board) -> Corners:
    """The corners of a board in the one picture that a key names.

    Raises InputError for more pictures than one, and one that does not show the board.
    """
    if len(frames) != 1:
        raise fields.fault(key, f"names {len(frames)} pictures", "name one, with the board at rest")
    corners = find_corners(frames[0], board)
    if corners is not None:
        return corners
    if turned_over(frames, board):
        right = f"write mirrored = true for camera {camera}; where that stands, leave it out"
        raise fields.fault(key, "shows the board left and right exchanged", right)
    raise fields.fault(key, *_no_board(camera, frames[0], board))


def _no_board(camera: str, image: Image, board: Board) -> tuple[str, str]:
    """What a picture shows in place of the board, and what to do."""
    asked = f"{board.columns} x {board.rows} squares"
    other = squares_in(image) if board.marker is None else None
    if other is not None and other not in {
        (board.columns, board.rows), (board.rows, board.columns)
    }:  # fmt: skip
        text = (
            f"of camera {camera} shows a board of {other[0]} x {other[1]} squares, not of {asked}"
        )
        return text, "state the squares as they are, across and down"
    right = "show all of it, sharp and evenly lit, and check squares"
    if board.marker is not None:
        right = "show six corners of it or more, and check squares, marker and dictionary"
    return f"of camera {camera} shows no board of {asked}", right
