from .bench import make as make
from .instrument_setting import Recording as Recording, Setting as Setting
from .pictures import BenchPictures as BenchPictures, take as take
from .planned import (
    Planned as Planned,
    as_found as as_found,
    expected as expected,
    watched as watched,
)
