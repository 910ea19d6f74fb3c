from . import (
    crew as crew,
    design_law as design_law,
    ensemble as ensemble,
    groups as groups,
    hands_seen as hands_seen,
    hierarchy as hierarchy,
    law_text as law_text,
    line_design as line_design,
    one_throw as one_throw,
    plan as plan,
    sobol as sobol,
    tapers as tapers,
    throw_family as throw_family,
    what_if as what_if,
)
from .concern import concerns_of as concerns_of, ranked as ranked
from .fold_evidence import (
    Record as Record,
    Verdict as Verdict,
    fit as fit,
    judge as judge,
    paired as paired,
)
from .forecast import (
    MotionOnNodes as MotionOnNodes,
    Rival as Rival,
    on_nodes as on_nodes,
    prepared as prepared,
    rivals as rivals,
)
from .hierarchy import (
    Belief as Belief,
    Hierarchy as Hierarchy,
    Said as Said,
    log_score as log_score,
    together as together,
)
from .learned import (
    Learned as Learned,
    followed as followed,
    known_for as known_for,
    learn as learn,
)
from .likelihood import Cross as Cross
from .parameters import Known as Known, ScaleEstimate as ScaleEstimate, estimated as estimated
from .prediction import LEVELS as LEVELS, Prediction as Prediction, predicted as predicted
from .rank import (
    LIKELY as LIKELY,
    Difference as Difference,
    Errors as Errors,
    HeldOut as HeldOut,
    Windows as Windows,
    compare as compare,
    differences as differences,
    forecast_errors as forecast_errors,
)
from .repeatability import (
    Components as Components,
    Outcome as Outcome,
    Repeated as Repeated,
    Spread as Spread,
    compared as compared,
)
from .scales import known_of as known_of, likelihood_of as likelihood_of
from .sensitivity import Telling as Telling, telling as telling
from .stacking import Standing as Standing, standings as standings
from .swings import simulated as simulated
from .throws_table import (
    CampaignThrow as CampaignThrow,
    heading_of as heading_of,
    table_of as table_of,
)
