"""The numbers by which points get their labels, each with what it is and what set it.

Where a field names no source, its value was set by trial on invented folds
(`tests/points/lines.py`) and on throws of the twin other than those that the figures are read on
(`benchmarks/labels.py`); the tests of labels check it.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class LinkSettings:
    """What a track may do."""

    jerk: float = 4e5
    """Root-mean-square change of acceleration a second that a track is ready for [m/s3]. At 500 Hz
    and 4e5 a prediction after one sample is good to 1 mm, and a turn of 0.1 m radius at 50 m/s
    (jerk 1.25e7) ends it."""
    speed: float = 10.0
    """Of a new track, standard deviation of a component [m/s]."""
    acceleration: float = 300.0
    """Of a new track, standard deviation of a component [m/s2]."""
    gate: float = 25.0
    """Largest chi-square (3 degrees of freedom) of a point from its prediction."""
    margin: float = 6.0
    """Least lead in cost over the next best point, and over the next best track."""
    ratio: float = 0.3
    """Of a new track, whose speed is not known: largest step to its second point over the step to
    the next nearest, and over that of the nearest other point to the same place."""
    coast: int = 3
    """Samples that a track lives without a point."""


@dataclass(frozen=True)
class ChainSettings:
    """Costs, as minus log likelihoods."""

    missing: float = 3.0
    """Of a station without a point."""
    left_over: float = 4.0
    """Of a point without a station."""
    bend: float = 0.05
    """Share by which a chord is usually shorter than its arc."""
    straight: float = 1.0
    """Exponent of the law of shorter chords, (1 + short / bend)^-straight. Low, as a line that is
    coiled stays so for many samples: only a chord over its arc is hard evidence."""
    price: float = 5.0
    """Of a point, by which a chain is kept from points that others need: a little less than what a
    station with a point gains over one without."""
    farthest: float = 60.0
    """Largest cost of one chord: beyond, the labelling is as good as ruled out."""


@dataclass(frozen=True)
class CarrySettings:
    """When a label is carried on. Costs are minus log likelihoods."""

    jerk: float = 4e5
    """Of a marker at rest, root-mean-square change of acceleration a second [m/s3]."""
    turn: float = 0.15
    """Share of speed times rate squared that jerk may reach: at 50 m/s and 500 Hz 2e6 m/s3, by
    which a prediction from the sample before is good to some 8 mm."""
    speed: float = 10.0
    """Of a marker just found, standard deviation of a component [m/s]."""
    acceleration: float = 1e3
    """The same [m/s2]."""
    coast: int = 6
    """Samples without a point after which nothing is known of a marker."""
    vague: float = 0.3
    """Standard deviation at which a prediction says nothing [m]: the room of stray points."""
    gate: float = 16.0
    """Largest chi-square (3 degrees of freedom) of a point from its prediction."""
    margin: float = 4.0
    """Least lead over other points, other labels, and over being a stray point."""


@dataclass(frozen=True)
class LabelSettings:
    """When a label is believed."""

    # Votes of the samples.

    shortest: int = 4
    """Samples of a track that may vote."""
    rounds: int = 3
    """Rounds in which samples and strands inform one another."""
    again: int = 2
    """Further rounds, with the labels that are sure fixed."""
    onward: int = 4
    """Rounds in which labels are carried on past the ends of their tracks."""
    independent: float = 3.0
    """Samples that together count as one vote: neighbours in time have the same shape."""
    often: float = 0.2
    """Share of a track's samples that comes on top: a bend that misleads may last as long."""
    margin: float = 16.0
    """Least lead of a track's label over the next best: odds of e^16, were votes what they say."""
    contrary: float = 3.0
    """Largest lead of another label in a track's samples, each taken alone (odds of 20)."""
    worst: float = 1.0
    """Largest mean cost of a track's label over the best labelling of its samples: more, and
    the track has no place on the line."""
    rival: float = 0.7
    """By which another track must cost more at a track's station, in the mean of the samples that
    both have, where these are a tenth of the track's or more: a misfit of 1.2 sd, for none."""
    cap: float = 15.0
    """Most that one sample may say against a label."""
    hint: float = 1.5
    """Cost of a station other than the label a point came with: a fifth of labels may be wrong."""
    lead: float = 3.0
    """By which the sample must prefer a given label that its track did not decide (odds of 20)."""

    # Where a marker is between its other samples.
    motion_near: int = 6
    """Samples to the nearest neighbour beyond which nothing is said."""
    motion_bend: float = 0.5
    """Share of the departure from a straight line by which a cubic may be wrong."""
    motion_open: float = 0.2
    """The same for a parabola that is drawn beyond its samples. The true share is larger where a
    fold passes, but a stray point at the end of a run has nothing else against it."""
    motion_close: float = 2e-3
    """Beyond what noise does to three samples at the end of a run, to which a label's other samples
    must say where its point is [m]: 10 mm in all with 0.3 mm of noise. Around a whirling line some
    50 strays, or points of other markers, are in a cubic metre: one in 5000 such balls has one."""
    motion_stride: float = 0.1
    """From sample to sample, beyond which no way is looked for [m]: 50 m/s at 500 Hz, where half
    of the samples are lost."""
    motion_sway: float = 0.25
    """Share of a marker's step by which the next may differ from it."""

    # Whether a label stays with one marker.
    leap_speed: float = 5.0
    """Over twice the greatest speed of the steps around, from which a step is a leap [m/s]."""
    leap_reach: int = 60
    """Samples apart up to which speed is judged."""
    leap_around: int = 5
    """Steps before and after a step that say what speed is usual there."""
    lost_away: int = 3
    """Samples for which a label must be without a point for another's strand to continue it."""
    lost_vague: float = 30e-3
    """From where a label's motion leads, beyond which nothing is said: strays and others
    abound [m]."""
    grip_fixed: float = 2e-4
    """By which a distance on the rigid grip may differ for good: calibration, centres of
    balls [m]."""
    grip_together: int = 8
    """Samples together from which a distance is seen to be the same."""
    grip_apart: float = 5e-4
    """By which distances of two markers differ for these to be parted [m]."""

    # What is one marker for certain.
    gap_firm: int = 10
    """Samples on one side of a gap that are compared with those on the other. More say more."""
    gap_quick: int = 6
    """Fewer suit a quicker motion, but leave room for a turn that is none, so that they count only
    where nothing else might go on there."""
    gap_window: float = 1.6
    """Times as many samples from the gap's edge, within which they must lie."""
    gap_fewest: int = 3
    """Samples a side below which nothing is said."""
    gap_longest: int = 15
    """Longest gap that is bridged [samples]."""
    gap_room: float = 0.1
    """From the straight way on, beyond which no continuation is looked for [m]."""
    gap_step: float = 20e-3
    """By which another marker or a reflection that moves alike may stand off and must not pass: the
    polynomial is not to explain it away [m]. Markers are farther apart, strays seldom nearer."""
    gap_degree: int = 4
    """Of the polynomial, at most; half the number of samples, less one, where these are few, so
    that at least as many numbers test it as set it."""
    gap_sure: float = 0.999
    """Share of true continuations that pass, were noise normal and the motion a polynomial."""

    # Samples that are labelled whole.
    whole_run: int = 5
    """Samples in a row that have as many points as there are stations."""
    whole_lead: float = 5.0
    """Least lead of each label of such a sample over the next best (odds of 150)."""
    whole_still: float = 3e-3
    """Points nearer to each other than this are of one thing at rest [m] ..."""
    whole_often: float = 0.5
    """... if it shows in so great a share of the samples."""
    whole_vague: float = 10e-3
    """By which three samples before or after mislead at least [m]."""
    whole_said: float = 8.0
    """Most that they may say against a label."""

    # The steps before.
    chain: ChainSettings = ChainSettings()
    link: LinkSettings = LinkSettings()
    carry: CarrySettings = CarrySettings()


LABELS = LabelSettings()
LINK = LinkSettings()
CHAIN = ChainSettings()
CARRY = CarrySettings()
