from .camera import (
    exposed as exposed,
)
from .camera import (
    in_view as in_view,
)
from .camera import (
    project as project,
)
from .camera import (
    project_jacobian as project_jacobian,
)
from .clock import (
    flash_bound as flash_bound,
)
from .clock import (
    flash_frames as flash_frames,
)
from .clock import (
    frame_at as frame_at,
)
from .clock import (
    frame_time as frame_time,
)
from .marker_system import (
    BRIDGED as BRIDGED,
)
from .marker_system import (
    MarkerRig as MarkerRig,
)
from .marker_system import (
    few_seen as few_seen,
)
from .marker_system import (
    marker_reading as marker_reading,
)
from .marker_system import (
    transported as transported,
)
from .schlieren import (
    Backdrop as Backdrop,
)
from .schlieren import (
    Knife as Knife,
)
from .schlieren import (
    Strands as Strands,
)
from .schlieren import (
    Strobe as Strobe,
)
from .schlieren import (
    draw_backdrop as draw_backdrop,
)
from .schlieren import (
    draw_strands as draw_strands,
)
from .schlieren import (
    fan as fan,
)
from .schlieren import (
    front_light as front_light,
)
from .schlieren import (
    shadow as shadow,
)
from .schlieren import (
    strobe_light as strobe_light,
)
from .sensor import (
    Light as Light,
)
from .sensor import (
    Sensor as Sensor,
)
from .sensor import (
    Spot as Spot,
)
from .sensor import (
    dot_light as dot_light,
)
from .sensor import (
    over_exposure as over_exposure,
)
from .sensor import (
    read_out as read_out,
)
from .triangulation import (
    Rays as Rays,
)
from .triangulation import (
    disagreement as disagreement,
)
from .triangulation import (
    rays as rays,
)
from .triangulation import (
    triangulate_many as triangulate_many,
)
from .triangulation import (
    undistort as undistort,
)
from .wavelets import (
    Hearing as Hearing,
)
from .wavelets import (
    ImageGrid as ImageGrid,
)
from .wavelets import (
    SoundSource as SoundSource,
)
from .wavelets import (
    arrival as arrival,
)
from .wavelets import (
    envelope as envelope,
)
from .wavelets import (
    pile_ups as pile_ups,
)
from .wavelets import (
    recorded as recorded,
)
