"""The report's sentences: headline answers, how far to trust them, methods, cautions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lashwave.answers import WORDS
from lashwave.quantities import DISTRUSTED, Answer, Foretold, Residuals
from lashwave.report import numbers
from lashwave.report.report_scene import ReportScene

if TYPE_CHECKING:
    import xarray as xr


OPTION_UNITS = {
    **dict.fromkeys(("spacing_butt", "spacing_tip", "spacing_clamp", "spacing_held"), "m"),
    **dict.fromkeys(("turn", "sweep_turn"), "rad"),
    **dict.fromkeys(("longest_step", "shortest_step"), "s"),
    **dict.fromkeys(("hand_density", "floor_density", "grip_density", "rough_density"), "m2 s-3"),
}
"""Units of the fit's options; those that are not here are counts or plain ratios."""


@dataclass(frozen=True)
class Card:
    """A headline answer."""

    title: str
    value: str
    detail: str


def _peak(answers: dict[str, Answer]) -> Card | None:
    peak = answers.get("peak_tip_speed")
    if peak is None:
        return None
    mach, moment = answers.get("peak_tip_mach"), answers.get("peak_tip_speed_time")
    value, detail = numbers.headline(peak)
    if mach is not None and mach.value is not None:
        detail += f"; Mach {numbers.with_sd(mach)}"
    if moment is not None and moment.value is not None:
        detail += f"; at {numbers.with_sd(moment)}"
    return Card("Peak speed of the tip (median of draws)", value, detail)


def _sonic(answers: dict[str, Answer], draws: int) -> Card | None:
    sonic = answers.get("sonic_time")
    if sonic is None:
        return None
    chance = sonic.probability
    shown = "" if chance is None else f"probability {numbers.chance(chance, draws)}"
    if sonic.value is None:
        return Card("Speed of sound", "not reached", shown or (sonic.reason or ""))
    place = answers.get("sonic_station")
    where = ""
    if place is not None and place.value is not None:
        where = f"at station {numbers.with_sd(place)}"
    detail = "; ".join(part for part in (where, shown) if part)
    return Card("Speed of sound first reached", numbers.with_sd(sonic), detail)


def _plain(answers: dict[str, Answer], name: str, title: str) -> Card | None:
    answer = answers.get(name)
    if answer is None or answer.value is None:
        return None
    return Card(title, *numbers.headline(answer))


def cards(answers: dict[str, Answer], draws: int) -> list[Card]:
    """What a reader wants first; draws : of the motion."""
    found = [
        _peak(answers),
        _sonic(answers, draws),
        _plain(answers, "peak_grip_tension", "Peak pull at the grip, up to the tip's peak"),
        _plain(answers, "hand_work", "Work of the hand, whole record"),
    ]
    return [card for card in found if card is not None]


def measured(scene: ReportScene) -> str:
    """What was measured, in one sentence."""
    markers = scene.trial.markers
    seen = np.isfinite(markers.position[..., 0])
    on_line = int((~markers.on_handle).sum())
    text = (
        f"{on_line} markers on a line of {scene.trial.line.length:.3g} m"
        + (f" and {len(markers.labels) - on_line} on the grip" if markers.on_handle.any() else "")
        + f", {markers.time.size} samples at {markers.rate:.6g} Hz"
        + f" ({markers.time[-1] - markers.time[0]:.3g} s); {numbers.percent(float(seen.mean()))}"
        + " of the samples were seen"
    )
    for camera, points in zip(scene.trial.cameras, scene.cameras, strict=True):
        text += (
            f". Camera {camera.name}: {points.time.size} points at {camera.rate:.6g} Hz, "
            f"{camera.sd:.2g} px each"
        )
    return text + ("." if scene.cameras else "; no camera.")


def _whiteness(residuals: Residuals) -> str:
    """What the lag-one correlation says, held against what chance would give."""
    both = np.isfinite(residuals.marker[1:]) & np.isfinite(residuals.marker[:-1])
    chance, found = 1.96 / np.sqrt(max(int(both.sum()), 1)), residuals.whiteness
    start = (
        f"Neighbouring marker residuals correlate by {numbers.fixed(found, 2)} on average; white "
        f"ones would stay within ±{chance:.3f} in 95 of 100 trials"
    )
    if abs(found) <= chance:
        return f"{start}, as these do."
    if found > 0:
        return f"{start}: these are not white, they run on, and intervals may be too narrow."
    return (
        f"{start}: these are not white, they alternate, so the motion follows single samples "
        "more than their noise allows."
    )


LAWS = (
    ("fold_mass_exponent", -0.5, "The tip's speed past the fold grew as the power {} of the mass "
     "beyond it, where a fold that keeps kinetic energy has −1/2"),
    ("fold_speed_ratio", 1.0, "Twice the fold's own way along the line was {} times that of the "
     "tip past it, where a fold that keeps kinetic energy has 1"),
)  # fmt: skip
"""Of each law: the answer that asks it, what it says, and the sentence."""


def laws(answers: dict[str, Answer]) -> list[str]:
    """One sentence a law that was asked: what came out, what the law says, whether it held."""
    found = []
    for name, expected, text in LAWS:
        answer = answers.get(name)
        if answer is None or answer.value is None or answer.low95 is None or answer.high95 is None:
            continue
        held = answer.low95 <= expected <= answer.high95
        verdict = "it held, within its uncertainty" if held else "it did not hold in this throw"
        said = text.format(numbers.with_sd(answer))
        found.append(f"{said}: {verdict} (95 %: {numbers.interval(answer)}).")
    return found


def trust(scene: ReportScene) -> list[str]:
    """How far the fit can be believed, as far as its own residuals tell."""
    residuals = scene.fit.residuals
    weight = residuals.marker_weight[np.isfinite(residuals.marker_weight)]
    found = []
    if weight.size:
        share = float((weight < DISTRUSTED).mean())
        found.append(f"{numbers.percent(share)} of the marker samples are distrusted.")
    for camera in scene.cameras:
        if camera.weight.size:
            share = float((camera.weight < DISTRUSTED).mean())
            found.append(
                f"{numbers.percent(share)} of the points of camera {camera.name} are distrusted."
            )
    found.append(_whiteness(residuals))
    check = scene.fit.withheld
    if check is None or check.count.sum() == 0:
        found.append("No sightings were withheld in this run, so nothing outside the fit tests it.")
    else:
        share = check.count / check.count.sum()
        inside, off = float(check.coverage @ share), float(np.sqrt(check.rms**2 @ share))
        found.append(
            "Short runs of trusted samples of one marker were withheld, one run at a time, and "
            "predicted from everything else. Of the withheld marker coordinates "
            f"{numbers.percent(inside)} lie inside their 95 % interval; they are "
            f"{numbers.fixed(1e3 * off, 2)} mm off (root mean square, one coordinate)."
        )
    return found


def withheld(found: Foretold) -> list[str]:
    """What was withheld at the user's wish, and whether it came out as foretold."""
    start = (
        f"This answer was reconstructed without {found.words}. What was withheld is compared with "
        "what the rest foretells of it; intervals hold the sightings' own noise."
    )
    if not found.groups:
        return [start, "None of the withheld sightings lies within the motion's time."]
    wider, nearer = found.further()
    verdict = "as its draws, taken for the truth one by one, would: the forecast fits"
    if wider == 0.0:
        verdict = "further off than any draw, taken for the truth, would be: it does not fit"
    elif nearer == 0.0:
        verdict = "nearer than any draw, taken for the truth, would be: intervals are too wide"
    return [
        start,
        f"Of the coordinates {numbers.percent(found.coverage)} lie inside their 95 % interval. "
        f"They lie {verdict}.",
        "CRPS, the continuous ranked probability score, is a length that grows with a miss and "
        "with a wide interval alike; the log score is the mean logarithm of the forecast's density "
        "at what was seen, higher is better, and the draws' own is what to expect.",
    ]


ACCOUNT = (
    "Work of the hand = change of kinetic, gravitational and bending energy + losses to the air, "
    "to the tuft and to damping + what stays unexplained. The hand's force and torque follow from "
    "the balances of momentum, its work from these and the grip's motion; so what the model's "
    "random force did on the line stays unexplained, with what the losses are not known to. "
    "Damping, stated to a factor of two, is what closes the account within 1 % where it can."
)


def order(lists: xr.Dataset) -> str:
    """The most probable order of events, in one sentence."""
    said = lists["probability_before"].attrs
    likeliest, chance = said["most_probable_order"], said["most_probable_order_probability"]
    start = "Shares of the draws in which the event of a row comes before that of a column."
    if not likeliest:
        return start
    shown = numbers.chance(float(chance), int(said["draws"]))
    names = ", then ".join(WORDS.get(name, name) for name in likeliest.split(" < "))
    return f"{start} Most probable order: {names} (probability {shown})."


METHODS = (
    "The line is cut into straight links of its measured mass; their directions and the place of "
    "the butt, at times set closer where the motion is fast, are the unknowns, so the line cannot "
    "stretch. All sightings and the line's mechanics (tension, bending, damping, gravity, air "
    "drag across and along the line) are weighed together: the motion shown is the most probable "
    "one, found by Gauss-Newton steps with Levenberg's damping. Mechanics is a weak constraint: "
    "between sightings the line obeys it up to a random force of stated size. Sightings that fit "
    "nothing lose weight (Student's t). Clocks, image offsets and the scales of drag across the "
    "line and of a tuft are estimated with the motion, and of bending stiffness what neither table "
    "nor droop tests tell; damping, drag along the line and a known stiffness are held near what "
    "is stated. "
    "Standard deviations and intervals come from draws "
    "of the posterior around that motion, and an answer is the median of its draws. Withheld "
    "samples are predicted with the equations linearised at the fit, without a new search."
)
SOURCES = (
    "Discrete curvature: Bergou, Wardetzky, Robinson, Audoly and Grinspun, ACM Transactions on "
    "Graphics 27 (2008) 63.",
    "Weak constraint: Trémolet, Quarterly Journal of the Royal Meteorological Society 132 (2006) "
    "2483.",
    "Damped least squares: Levenberg, Quarterly of Applied Mathematics 2 (1944) 164.",
    "Student's t for stray data: Lange, Little and Taylor, Journal of the American Statistical "
    "Association 84 (1989) 881.",
    "Leaving out groups of sightings: Cook and Weisberg, Residuals and Influence in Regression "
    "(1982).",
    "Drag across a cylinder: White, Viscous Fluid Flow (fit of the classical data; recalled from "
    "memory); its rise near Mach 1: Gowen and Perkins, NACA TN 2960 (1953), measured for Reynolds "
    "numbers of 5e4 to 1e6; along a thread: Matsui, Transactions of the Society of Rheology 20 "
    "(1976) 465 (recalled from memory; good to a factor 1.5).",
    "Speed of sound in moist air: Cramer, Journal of the Acoustical Society of America 93 (1993) "
    "2510.",
    "Uncertainty by draws: JCGM 101:2008, Supplement 1 to the Guide to the Expression of "
    "Uncertainty in Measurement.",
)

CAUTIONS = (
    (
        "Ears",
        "The tip of a fast line can send out a shock wave. Under Directive 2003/10/EC (Article 3) "
        "the peak sound pressure at a worker's ear has a limit of 200 Pa (140 dB, C-weighted) and "
        "action values of 140 Pa (137 dB) and 112 Pa (135 dB); in the United States 29 CFR "
        "1910.95 says 140 dB peak; some countries are stricter (Norway: 130 dB). No refereed "
        "level of such a crack was found, so take it as unknown and wear protection. Ordinary "
        "dosimeters and sound level meters clip near 140 to 146 dB (Kardous and Willson, Journal "
        "of Occupational and Environmental Hygiene 1 (2004) 456), so a low reading proves nothing.",
    ),
    (
        "Eyes",
        "A tip, a torn strand or a marker that comes off flies at the speeds shown here. A piece "
        "of 0.1 g at 400 m/s carries 8 J; protectors marked B in EN 166:2001 are tested with 0.86 "
        "g at 120 m/s (6.2 J), those marked F at 45 m/s (0.87 J). ANSI/ISEA Z87.1-2003 tests "
        "spectacles at 45.7 m/s with a quarter-inch ball. Wear a rated face shield over rated "
        "eyewear, and keep everyone else out of reach of the line and of what may fly off it.",
    ),
    (
        "Light",
        "Lasers, strobes and arc lamps of a schlieren or marker set-up can harm eyes at a glance; "
        "their classes and controls are those of IEC 60825-1 and IEC 62471. A strobe can also set "
        "off seizures in those who are sensitive to it.",
    ),
    (
        "Line",
        "Tension peaks within milliseconds: a worn line or a glued joint may part. Inspect it "
        "before each throw, and let nobody stand in its plane.",
    ),
    (
        "Rules",
        "This page is no safety assessment. Local codes, and a licensed or otherwise competent "
        "person who answers for your laboratory, come before anything said here.",
    ),
)
