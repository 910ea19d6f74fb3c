from .answer import (
    GRIP_REACH as GRIP_REACH,
    Answer as Answer,
    from_draws as from_draws,
    on_grid as on_grid,
)
from .arrays import Array as Array, Index as Index, Mask as Mask, Single as Single, Whole as Whole
from .bench_plan import (
    BenchPlan as BenchPlan,
    PlannedMarkers as PlannedMarkers,
    PlannedView as PlannedView,
)
from .calibration import (
    Calibration as Calibration,
    SharedErrors as SharedErrors,
    joint_covariance as joint_covariance,
)
from .clock_fit import (
    ClockFit as ClockFit,
    ClockHealth as ClockHealth,
    Flashes as Flashes,
)
from .constants import STANDARD_GRAVITY as STANDARD_GRAVITY, TRIAL_GRAVITY as TRIAL_GRAVITY
from .csv_text import cells_of as cells_of, csv_lines as csv_lines
from .errors import (
    InputError as InputError,
    LashwaveError as LashwaveError,
    LostMotionError as LostMotionError,
    NotConvergedError as NotConvergedError,
    OutOfRangeError as OutOfRangeError,
    counted as counted,
)
from .events import Event as Event, Tied as Tied, tied as tied
from .film_views import PartOfFilm as PartOfFilm, SomeOfFilm as SomeOfFilm
from .fit import (
    DISTRUSTED as DISTRUSTED,
    Draws as Draws,
    Fit as Fit,
    FrontBirths as FrontBirths,
    Residuals as Residuals,
    Withheld as Withheld,
)
from .foretold import FAR as FAR, Foretold as Foretold, ForetoldSightings as ForetoldSightings
from .images import (
    Dots as Dots,
    Found as Found,
    Frames as Frames,
    Image as Image,
    Located as Located,
    LocatedMarkers as LocatedMarkers,
    Pictures as Pictures,
    RingHealth as RingHealth,
    Sound as Sound,
    TipTrack as TipTrack,
)
from .line import Droop as Droop, Line as Line, Tuft as Tuft
from .moments import Moments as Moments, SonicDraws as SonicDraws, TipDraws as TipDraws
from .motion import SHOWN as SHOWN, chosen_times as chosen_times, interpolate as interpolate
from .motions import Apart as Apart, Motions as Motions
from .quantiles import (
    band as band,
    bounded as bounded,
    bounded_all as bounded_all,
    last_axis_band as last_axis_band,
    said as said,
)
from .scores import (
    COVERED as COVERED,
    Scores as Scores,
    crps as crps,
    log_score as log_score,
    scored as scored,
)
from .sightings import (
    Camera as Camera,
    Clock as Clock,
    Fronts as Fronts,
    Markers as Markers,
    Marks as Marks,
    Onset as Onset,
    SpacePoints as SpacePoints,
    TuftWidths as TuftWidths,
    Window as Window,
    even_frames as even_frames,
)
from .slopes import DAMPING_SLOPE as DAMPING_SLOPE, DRAG_SLOPE as DRAG_SLOPE
from .stiffness import SLOPE as SLOPE, Source as Source, Stiffness as Stiffness
from .trial import Air as Air, Microphone as Microphone, Trial as Trial
from .units import (
    SI as SI,
    UnitError as UnitError,
    factor as factor,
    heading as heading,
    limit_text as limit_text,
    quantity as quantity,
    to_si as to_si,
)
