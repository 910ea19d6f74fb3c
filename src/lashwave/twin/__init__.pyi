from .bench import make as make
from .pictures import Pictures as Pictures, take as take
from .setting import Recording as Recording, Setting as Setting
