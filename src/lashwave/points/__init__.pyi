from .clock_sound import cautions as cautions, locate_onset as locate_onset
from .dots import (
    find_dots as find_dots,
    locate_markers as locate_markers,
    moved_by_points as moved_by_points,
    said_of as said_of,
)
from .even_films import even_films as even_films
from .fast_camera import locate_fast as locate_fast, pinned as pinned
from .film_parts import in_film as in_film, own_view as own_view
