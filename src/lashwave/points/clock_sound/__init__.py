"""When: flashes in images give a camera's clock, and sound gives the onset of a bang."""

from lashwave.points.clock_sound.channels import cautions, judged_channels, locate_onset
from lashwave.points.clock_sound.clock_settings import FlashSettings, SoundSettings
from lashwave.points.clock_sound.flash_clock import (
    clock_by_motion,
    fit_clock,
    motion_log_likelihood,
)
from lashwave.points.clock_sound.flash_health import advice as clock_advice, flash_health
from lashwave.points.clock_sound.onsets import impulse, sound_level
from lashwave.points.clock_sound.strobe import brightness, find_flashes

__all__ = [
    "FlashSettings",
    "SoundSettings",
    "brightness",
    "cautions",
    "clock_advice",
    "clock_by_motion",
    "find_flashes",
    "fit_clock",
    "flash_health",
    "impulse",
    "judged_channels",
    "locate_onset",
    "motion_log_likelihood",
    "sound_level",
]
