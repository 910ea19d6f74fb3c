from .ends import driving as driving
from .evidence import (
    DAMPINGS as DAMPINGS,
    Evidence as Evidence,
    State as State,
    as_arrays as as_arrays,
    from_arrays as from_arrays,
)
from .foreseen import Places as Places, foreseen as foreseen
from .fusion import estimate as estimate, solved as solved
from .long_draws import (
    Piece as Piece,
    judged as judged,
    judged_work as judged_work,
    pieces as pieces,
)
from .long_record import LongJoint as LongJoint, solved_long as solved_long
from .long_search import CutShelf as CutShelf
from .momentum_rows import LAW_NAMES as LAW_NAMES
from .options import Options as Options
from .posterior import UNRESOLVED as UNRESOLVED
from .setup import (
    STIFFNESS_LOG_SD as STIFFNESS_LOG_SD,
    FitSetup as FitSetup,
    held_scales as held_scales,
    set_up as set_up,
    standing_off as standing_off,
)
from .stretches import (
    cut_trial as cut_trial,
    may_fall_within as may_fall_within,
    rows_within as rows_within,
)
