from .accounts import (
    bending_forces as bending_forces,
    hand_power as hand_power,
    kinetic_energy as kinetic_energy,
    outboard_force as outboard_force,
)
from .air import Medium as Medium, medium as medium
from .along_line import (
    DRAG_SLOPE_SD as DRAG_SLOPE_SD,
    damping_slope_sd as damping_slope_sd,
    drag_shape as drag_shape,
    shape_along as shape_along,
    uneven as uneven,
)
from .bending import (
    SOFT as SOFT,
    bend_energy as bend_energy,
    couple_ratio as couple_ratio,
    friction_ratio as friction_ratio,
    sharpness as sharpness,
)
from .chain import Chain as Chain, build as build, stations as stations
from .compiling import compiled as compiled
from .drag import (
    body_drag as body_drag,
    link_drag as link_drag,
    normal_coefficient as normal_coefficient,
    range_warnings as range_warnings,
)
from .falling_chain import (
    ENERGY as ENERGY,
    PLASTIC as PLASTIC,
    fallen_at as fallen_at,
    time_ratio as time_ratio,
)
from .grip import Grip as Grip
from .law import Law as Law
from .ledger import RESULTS as RESULTS, greatest_mean as greatest_mean
from .power_budget import Budget as Budget, budget as budget
from .processor import choose_core as choose_core
from .quick import (
    FINENESS as FINENESS,
    simulate_quickly as simulate_quickly,
    start_motion as start_motion,
)
from .rest import rest_shape as rest_shape
from .shock import overpressure_of_speed as overpressure_of_speed
from .side_by_side import Member as Member, together as together
from .simulation import (
    SimulationError as SimulationError,
    setup as setup,
    simulate as simulate,
)
from .stiffness_sources import (
    droop_stiffness as droop_stiffness,
    known_stiffness as known_stiffness,
    sloped as sloped,
)
from .stretch import (
    TOO_SOFT as TOO_SOFT,
    elongation as elongation,
    hanging_strain as hanging_strain,
    lasting as lasting,
)
from .threads import (
    both as both,
    chosen_threads as chosen_threads,
    cores as cores,
    each as each,
    in_order as in_order,
    on_threads as on_threads,
    ranges as ranges,
    shared_out as shared_out,
    threads as threads,
)
from .trajectory import Trajectory as Trajectory
