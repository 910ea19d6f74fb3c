"""The numbers by which the tip is found, each with what it is and what set it.

Where a field names no source, its value was set by trial on painted frames and rendered throws,
and is checked only by this folder's tests and `benchmarks/tip.py`; no publication gives it. Lengths
are in pixels of the picture, shades in shares of the background's light, times in frames.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class TipSettings:
    """How the line's end is found; a copy with other values may be given to every step."""

    # Which pixels may belong to the line.
    mask_fine_blur: float = 1.0
    """Standard deviation of the fine blur [px]: that of half a thin line."""
    mask_coarse_blur: float = 3.5
    """Standard deviation of the coarse blur [px]: it spreads a front's two sides into one."""
    mask_sure: float = 8.0
    """A region must be this dark somewhere [noise sd of the fine blur]."""
    mask_likely: float = 4.0
    """And this dark everywhere [noise sd of the fine blur]."""
    mask_least_depth: float = 0.12
    """Fainter than this is air, however clean the picture [share of light]."""
    mask_sure_depth: float = 0.3
    """A line takes this share of light somewhere."""
    mask_net: float = 0.03
    """Share of light still missing after the coarse blur. A line 2 px wide leaves 0.2."""
    mask_beside: int = 7
    """How far from its dark side a front's bright side stands at most [px]."""
    mask_bright: float = 1.4
    """A line is darker than this many times the brightest spot beside it is bright."""
    mask_opaque: float = 0.8
    """Share of the line's depth at which a pixel is the line even beside a front's glare."""
    mask_black: float = 0.6
    """Share of light that a line takes which is wide enough to be known by its blackness."""
    mask_black_pixels: int = 60
    """Pixels that are so black in its frame."""
    mask_margin: int = 16
    """Of the picture around a region that is kept with it [px]."""
    mask_relative: float = 0.3
    """Share of a region's own depth under which a pixel is a front that joins the line."""
    mask_border: int = 3
    """Nearer than this to the picture's edge, or to its window's, a line has come in [px]."""
    mask_least_region: int = 12
    """Longest side of a region's box at least [px]; dust and specks are smaller."""

    mask_standing: float = 0.8
    """Under this share of the brightest nearby the background itself is dark: a wire, dust, or a
    part of the line that stands still."""
    mask_standing_long: int = 24
    """Of these, what is shorter is dust [px]."""
    mask_wire: int = 5
    """What is dark in the background and narrower than this is a wire or dust, or hidden behind
    them; what is wider and no wider than a line is the line where it stands still [px]."""
    mask_stem_about: int = 4
    """So near to a standing part of the line its moving part begins [px]."""

    # The line's way through a dark region, and its end.
    trace_apart: int = 7
    """Two ends of one region are at least this far apart [px]."""
    trace_least_way: float = 14.0
    """A line is seen over at least this length before its end is credible [px]."""
    trace_back: int = 14
    """Steps of the way that give the direction at the end [px]."""
    trace_beyond: float = 0.5
    """Past an end the picture is under this share of the shade before it."""
    trace_faint: float = 0.8
    """The line has ended where its shade falls under this share of its median over the stretch."""
    trace_faint_run: int = 4
    """And stays so for as many pixels."""
    trace_stretch: int = 30
    """Length of the stretch before, over which shade and half width are known [px]."""
    trace_again: float = 0.9
    """A line goes on where it is again as dark as this share of its shade."""
    trace_again_run: int = 8
    """And stays so, and no wider, for as many pixels."""
    trace_wider: float = 1.3
    """The line has ended where it is wider than this many times its own half width."""
    trace_wider_by: float = 0.7
    """And by this much more [px]."""
    trace_past: tuple[float, ...] = (4.0, 6.0, 8.0)
    """How far past an end the picture must be bright [px]."""
    trace_black_past: tuple[float, ...] = (4.0, 6.0, 8.0, 11.0, 14.0)
    """The same for a region known by its blackness, of which a wire may hide that it goes on."""
    trace_fan: tuple[float, ...] = (-50.0, -25.0, 0.0, 25.0, 50.0)
    """Directions past an end that are looked along [deg from the line's own]."""
    trace_seen: float = 0.6
    """Share of these places that must be seen, not hidden by wires or dust."""
    trace_fold: tuple[float, ...] = (8.0, 18.0, 30.0, 44.0)
    """Circles about an end on which a fold shows two strands; 1.5 widths are added [px]."""
    trace_fold_dark: float = 0.5
    """A strand takes this share of the end's depth."""
    trace_fold_behind: tuple[float, float] = (0.3, -0.4)
    """Cosines from the line's direction under which a strand lies beside or behind an end: on the
    smallest circle, where none may, and on the others, where a fold's two do."""
    trace_corner: float = -0.5
    """Cosine between the two sides of a way over which it turns off: a loop may hang there."""
    trace_half: float = 8.0
    """Half width of the cross-section that the line's middle is taken from [px]."""

    # Whether an end is the only one.
    lone_hidden: float = 24.0
    """Within this of an end, and half its width, no other dark piece of the line begins [px]."""
    lone_fan: float = 45.0
    """In directions up to this from the line's own [deg]."""
    lone_again: int = 4
    """So many dark pixels are such a piece."""
    lone_long: float = 9.0
    """A piece of the line that hangs on the rest is at least this and half its width long [px]."""
    lone_out: float = 5.0
    """And stands out by this and 0.4 widths [px]."""
    lone_entry: float = 40.0
    """And does not lie where the line came in, nearer than this and its width [px]."""
    lone_least_pixels: int = 20
    """And covers at least so many pixels."""

    # The bar that is fitted to the picture about the end.
    fit_behind: float = 16.0
    """How far behind the tip the fit looks [px]."""
    fit_ahead: float = 8.0
    """How far ahead of it [px]."""
    fit_aside: float = 5.0
    """And how far from the line's edge [px]."""
    fit_lens: float = 0.8
    """Blur expected, between a pixel's own 0.3 (1 / sqrt(12)) and a soft lens [px]."""
    fit_lens_sd: float = 0.3
    """Standard deviation of that expectation [px]."""
    fit_depth_sd: float = 0.15
    """Of the depth about that of its neighbourhood [share of light]."""
    fit_level_sd: float = 0.05
    """Of the background's level [share of light]."""
    fit_bend_sd: float = 0.03
    """Of the line's curvature [1/px]."""
    fit_curl_sd: float = 0.002
    """Of the growth of that curvature behind the tip [1/px2]: a free end is straight, and what
    bends it may begin some way behind."""
    fit_taper_sd: float = 0.015
    """Of the line's taper: growth of its half width behind the tip [px/px]."""
    fit_round: float = 0.5
    """Roundness expected of an end before it is seen: 0 is cut square, 1 a half circle."""
    fit_round_sd: float = 0.4
    """Standard deviation of that expectation."""
    fit_round_most: float = 1.5
    """A fit whose roundness is further off than this is no end."""
    fit_joined_round_sd: float = 0.1
    """Standard deviation of the roundness where something joins the tip and hides its shape."""
    fit_round_model: float = 0.05
    """What a record's roundness stays uncertain by however often it was seen: taper, lens."""
    fit_round_kind: float = 0.25
    """Share of lines that are cut square, and of those rounded to a half circle. Assumed."""
    fit_blacker: float = 0.78
    """Where strands or a front begin at the tip, all that is less dark than this share of the
    line's depth counts alike."""
    fit_alike_pixels: float = 25.0
    """Neighbouring pixels that err alike where the picture holds something the bar lacks, or those
    of the line's round end where that is wider."""
    fit_steps: int = 40
    """Steps in which the fit must come to rest."""
    fit_misfit: float = 1.5
    """Chi-square a degree of freedom from which it does."""
    fit_widest: float = 34.0
    """Widest line that is credible [px]."""
    fit_narrowest: float = 0.7
    """Narrowest line that is credible [px]."""

    # The step of the line's edge where a tuft begins.
    step_back: float = 24.0
    """How far behind a dark end the line may end [px]."""
    step_ahead: float = 6.0
    """How far ahead of it [px]."""
    step_before: float = 9.0
    """Length of the edge before a step [px]."""
    step_after: float = 5.0
    """Length of the edge after a step [px]."""
    step_blur: float = 0.9
    """Standard deviation of a step along the edge [px]."""
    step_least: float = 0.5
    """Fainter steps are the noise of strands [px]."""
    step_sure: float = 3.0
    """A step is this many of its standard deviations at least."""
    step_both: float = 0.3
    """The other edge, where it is seen, steps by this share as much at least."""
    step_edge_sd: float = 0.08
    """Of an edge's place [px]."""
    step_darkest: float = 0.2
    """What lies beside an edge that can be used takes this share of light at most."""
    step_brightest: float = 0.4
    """And adds this share at most. Edges beside which no more is added than may be taken go first,
    for glare eats into the line."""
    step_alike: float = 0.2
    """The two sides of a step have as much light beside them, but for this share."""
    step_next: float = 4.0
    """Over this length either way [px]."""
    step_half_dark: float = 0.5
    """Share of light lacking at an edge: the middle of a blurred one."""
    step_unit_sd: float = 1.2
    """A tip at a step of 1 px is good to this [px], at others as much better as they are greater.
    Measured on rendered throws."""
    step_best_sd: float = 0.8
    """Least standard deviation of such a tip [px]. Measured on rendered throws."""
    step_worst_sd: float = 2.2
    """Greatest standard deviation of such a tip [px]. Measured on rendered throws."""
    step_straight: float = 12.0
    """Length over which the fitted direction holds; beyond it a cubic along the line's middle,
    which a front that darkens one side bends by up to 2 px [px]."""
    step_far: float = 3.0
    """A record has strands where they are as dark as the line over this length [px] in a frame."""
    step_clear_sd: float = 2.0
    """If that frame's tip is good to this [px]."""
    step_unseen_sd: float = 2.4
    """Of a tip about which no step is seen: strands may lie within it [px]. Measured on rendered
    throws."""

    # The walk through strong fronts.
    walk_glare: float = 0.2
    """A front lights a place up where it is brighter than the background by this share."""
    walk_about: int = 10
    """A front's dark band is nearer to its glare than this [px]."""
    walk_stem: float = 40.0
    """A clear stem is at least this long [px]."""
    walk_widest: float = 12.0
    """And no wider than this [px]."""
    walk_stem_depth: float = 0.4
    """And takes this share of light at least."""
    walk_fitted: int = 40
    """Length of the stem's end that its direction and bend are taken from [px]."""
    walk_dark: float = 0.75
    """The core of the line is darker than this share of the stem's depth."""
    walk_open: float = 0.55
    """What lies beside an edge is lighter than this share of it."""
    walk_gone: int = 2
    """Steps for which the core must be bright where the line has ended [px]."""
    walk_hidden: int = 6
    """Steps behind a wire or dust that the walk bridges [px]."""
    walk_unseen: int = 4
    """Steps before the end within which an edge must have been seen [px]."""
    walk_farthest: int = 250
    """Longest walk [px]."""
    walk_steer: float = 0.15
    """Share of the core's offset that the walk takes up at each step where both edges are seen."""
    walk_turn: float = 0.075
    """Of the heading, for each pixel that the walk takes up [rad/px]."""
    walk_roam: float = 2.0
    """How far beside the walk the core may lie [px]."""
    walk_core: float = 0.5
    """Share of the line's width that must be dark."""
    walk_band: float = 4.5
    """What is dark further beside the line's axis is no part of it [px]."""
    walk_ring: int = 14
    """Radius about an end at which a line would be seen to go on [px]."""
    walk_blind: int = 25
    """Steps that the walk goes on with no edge seen [px]."""

    # From frame to frame.
    track_gate: float = 30.0
    """A followed tip is this near its prediction [px]."""
    track_gate_share: float = 0.5
    """And nearer than this share of its last step more."""
    track_memory: int = 3
    """Frames after which a lost tip is looked for anew."""
    track_half_picture: int = 96
    """Half side of what is kept of a frame around its tip [px], for the fit and the tuft."""
    track_black_width: float = 4.0
    """A line at least this wide is black in its middle whatever the lens does [px]."""
    track_stray: float = 8.0
    """A fit further from the end of the dark region than this is of something else [px]."""
    track_farthest: float = 130.0
    """Longer than any tuft: what goes on further in the dark is not the tip's [px]."""
    track_worst_sd: float = 2.5
    """Greatest standard deviation of a tip in a tip_track [px]; of a wide line's, a quarter of its
    width."""
    track_doubtful_sd: float = 3.0
    """The same of one whose shape is still its own [px]."""
    track_rough: float = 3.0
    """A picture fits where chi-square a degree of freedom is under this."""
    track_unlike: float = 0.25
    """Or where its residual is under this share of the depth."""
    track_joined_misfit: float = 1.5
    """Greatest chi-square a degree of freedom where strands or a front begin at the tip."""
    track_shallow: float = 0.6
    """A tip under this share of the record's median depth is a front's end, not the line's."""
    track_lit: float = 0.02
    """Share of the picture about an end that a front lights up where fronts are about."""
    track_smear: float = 0.025
    """Of the tip's way during the exposure: what a straight stroke lacks. Measured in
    `tests/points/test_tip_hooked.py`."""
    track_floor: float = 0.03
    """Of every standard deviation [px]: what the bar's shape lacks (taper, lens). Measured in
    `tests/points/test_tip.py`."""

    # Tips that their neighbours in time contradict.
    motion_leap: float = 10.0
    """Further than this from where its speed leads, the tip has leapt [px]."""
    motion_leap_share: float = 0.5
    """And further than this share of the way at its speed."""
    motion_longer: float = 2.0
    """Of two pieces between which it leaps, one that holds so many times the places of the other
    is the tip's."""
    motion_reach: int = 6
    """Neighbours are within so many frames."""
    motion_each_side: int = 3
    """And so many of them before and after."""
    motion_fewest: int = 4
    """Neighbours that a place is judged by, at least."""
    motion_doubtful_sd: float = 2.0
    """Standard deviation from which a place needs neighbours that confirm it [px]."""
    motion_unsure_sd: float = 0.5
    """Standard deviation from which it needs company [px]."""
    motion_company: int = 2
    """As many neighbours."""
    motion_limit: float = 4.0
    """A place further from its prediction is contradicted [sd]."""
    motion_least: float = 1.0
    """What a parabola leaves of the motion [px]."""
    motion_share: float = 0.02
    """The same as a share of the step to the next frame."""

    # The tuft beyond the tip.
    tuft_start: float = 4.0
    """Nearer to the tip than this the line's own blurred end is seen [px]."""
    tuft_blur: float = 0.7
    """Standard deviation of the blur before strands are parted from noise [px]."""
    tuft_sure: float = 4.0
    """A strand is darker than this many standard deviations of the blurred noise."""
    tuft_faintest: float = 0.06
    """And than this share of light."""
    tuft_shortest: int = 12
    """Columns that a tuft fills at least [px]."""
    tuft_part: float = 0.6
    """Share of its length, the outer, that the width is taken from."""
    tuft_edge_sd: float = 0.5
    """What a fan's last column and its outermost strands' places are good to [px]."""


TIP = TipSettings()
"""What `lashwave locate` uses."""
