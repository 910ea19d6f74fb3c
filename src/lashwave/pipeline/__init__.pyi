from . import (
    checkup as checkup,
    console as console,
    health as health,
    locate as locate,
    reconstruct as reconstruct,
    stopping as stopping,
    throw_of_campaign as throw_of_campaign,
)
from .console import Progress as Progress, silent as silent
from .expected import in_words as in_words
from .film_dots import film_dots as film_dots
from .health import noise_from_differences as noise_from_differences
from .labelled import answered_trial as answered_trial
from .locate import joined as joined, search as search
from .long_trial import (
    SHORTEST as SHORTEST,
    reconstruct_long as reconstruct_long,
    window_for as window_for,
)
from .reconstruct import (
    Reconstruction as Reconstruction,
    read_usable as read_usable,
    reconstruct_folder as reconstruct_folder,
    reconstruct_trial as reconstruct_trial,
    reconstructed as reconstructed,
)
