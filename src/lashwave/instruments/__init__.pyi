from .calibration_errors import (
    JointErrors as JointErrors,
    image_slopes as image_slopes,
    joint_errors as joint_errors,
)
from .camera import (
    exposed as exposed,
    in_view as in_view,
    project as project,
    project_jacobian as project_jacobian,
    streaks as streaks,
    windowed as windowed,
)
from .clock import (
    flash_bound as flash_bound,
    flash_frames as flash_frames,
    frame_at as frame_at,
    frame_time as frame_time,
)
from .marker_system import (
    BRIDGED as BRIDGED,
    MarkerRig as MarkerRig,
    few_seen as few_seen,
    marker_reading as marker_reading,
    transported as transported,
)
from .moved import Moved as Moved, moved_camera as moved_camera
from .schlieren import (
    Backdrop as Backdrop,
    Knife as Knife,
    Strands as Strands,
    Strobe as Strobe,
    draw_backdrop as draw_backdrop,
    draw_strands as draw_strands,
    fan as fan,
    front_light as front_light,
    shadow as shadow,
    strobe_light as strobe_light,
)
from .sensor import (
    Light as Light,
    Sensor as Sensor,
    Spot as Spot,
    dot_light as dot_light,
    over_exposure as over_exposure,
    read_out as read_out,
)
from .triangulation import (
    Rays as Rays,
    disagreement as disagreement,
    rays as rays,
    triangulate_many as triangulate_many,
    undistort as undistort,
)
from .wavelets import (
    Hearing as Hearing,
    ImageGrid as ImageGrid,
    SoundSource as SoundSource,
    arrival as arrival,
    envelope as envelope,
    pile_ups as pile_ups,
    recorded as recorded,
)
