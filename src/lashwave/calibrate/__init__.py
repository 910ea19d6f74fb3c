"""Room: calibrate. Cameras from boards, points, a wand and a scale, with covariance."""

from lashwave.calibrate.board import Placed, calibrate_board
from lashwave.calibrate.board_place import BoardPlace, Watcher, known_board, seen_board
from lashwave.calibrate.calibrate_settings import CalibrateSettings
from lashwave.calibrate.corners import DICTIONARIES, Board, Corners, find_corners, squares_in
from lashwave.calibrate.film_view import FilmView
from lashwave.calibrate.known_dots import dots_of_points
from lashwave.calibrate.pinhole import NAMES, UNITS, names_of
from lashwave.calibrate.placed_anew import PlacedAnew, place_anew, place_by_points
from lashwave.calibrate.point_fit import Calibrated, Prior, UndeterminedError, numeric_jacobian
from lashwave.calibrate.pose import fit_camera, fit_pose
from lashwave.calibrate.projection import (
    PARALLEL,
    KnownView,
    fit_parallel,
    fit_perspective,
    view_direction,
    view_sd,
)
from lashwave.calibrate.wand import WandFit, calibrate_wand
from lashwave.calibrate.wand_rows import KnownPoints, Wand
from lashwave.calibrate.wand_start import order_three

__all__ = [
    "DICTIONARIES",
    "NAMES",
    "PARALLEL",
    "UNITS",
    "Board",
    "BoardPlace",
    "CalibrateSettings",
    "Calibrated",
    "Corners",
    "FilmView",
    "KnownPoints",
    "KnownView",
    "Placed",
    "PlacedAnew",
    "Prior",
    "UndeterminedError",
    "Wand",
    "WandFit",
    "Watcher",
    "calibrate_board",
    "calibrate_wand",
    "dots_of_points",
    "find_corners",
    "fit_camera",
    "fit_parallel",
    "fit_perspective",
    "fit_pose",
    "known_board",
    "names_of",
    "numeric_jacobian",
    "order_three",
    "place_anew",
    "place_by_points",
    "seen_board",
    "squares_in",
    "view_direction",
    "view_sd",
]
