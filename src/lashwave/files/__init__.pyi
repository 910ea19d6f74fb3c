from . import campaign_place as campaign_place, folders as folders
from .begun import Begun as Begun
from .calibration_toml import (
    read_calibration as read_calibration,
    read_size as read_size,
    write_calibration as write_calibration,
)
from .campaign_list import Listed as Listed, read_campaign as read_campaign
from .campaign_table import (
    parquet_bytes as parquet_bytes,
    read_campaign_table as read_campaign_table,
)
from .csv_tables import Column as Column, Table as Table, read_table as read_table
from .disk_room import (
    DiskFullError as DiskFullError,
    need_leave as need_leave,
    need_room as need_room,
)
from .fields import Fields as Fields, parse_toml as parse_toml, read_toml as read_toml
from .filled_c3d import write_filled as write_filled
from .folders import ANSWER_FILES as ANSWER_FILES, FIGURES as FIGURES
from .frame_files import open_frames as open_frames
from .kept import (
    keep_arrays as keep_arrays,
    keep_finds as keep_finds,
    kept_arrays as kept_arrays,
    kept_finds as kept_finds,
)
from .marker_samples import MarkerSamples as MarkerSamples, zeros_to_gaps as zeros_to_gaps
from .marker_section import READERS as READERS
from .mends import MEND_FIELDS as MEND_FIELDS, MOST_MENDS as MOST_MENDS, parse_mends as parse_mends
from .mends_write import mends_text as mends_text
from .read_answers import (
    read_draws as read_draws,
    read_judgement as read_judgement,
    read_lists as read_lists,
    read_motion as read_motion,
)
from .results import (
    motion_dataset as motion_dataset,
    netcdf_bytes as netcdf_bytes,
    packed_results as packed_results,
    provenance as provenance,
    withheld_record as withheld_record,
    write_long_results as write_long_results,
    write_results as write_results,
)
from .sighting_tables import (
    METRE_DIGITS as METRE_DIGITS,
    SECOND_DIGITS as SECOND_DIGITS,
    number_text as number_text,
    write_fronts as write_fronts,
    write_points as write_points,
    write_rows as write_rows,
)
from .source import (
    LARGEST_DESCRIPTION as LARGEST_DESCRIPTION,
    Folder as Folder,
    decode as decode,
    sha256 as sha256,
)
from .still_files import (
    PNG as PNG,
    TIFF as TIFF,
    StillError as StillError,
    TiffStack as TiffStack,
    png_header as png_header,
    write_frames as write_frames,
)
from .summaries import Summary as Summary, read_record as read_record, read_summary as read_summary
from .swap import (
    aside_folder as aside_folder,
    linked as linked,
    replace_file as replace_file,
    replace_folder as replace_folder,
    sweep as sweep,
    write_files as write_files,
)
from .throw_table import (
    ThrowTable as ThrowTable,
    range_of as range_of,
    read_ranges as read_ranges,
    read_throws as read_throws,
)
from .trial_folder import (
    DESCRIPTION as DESCRIPTION,
    assembled as assembled,
    read_description as read_description,
    read_pictures as read_pictures,
    read_trial as read_trial,
    read_with_faults as read_with_faults,
)
from .video_file import FILM_ENDINGS as FILM_ENDINGS, VideoFile as VideoFile
from .wav import read_wav as read_wav, write_wav as write_wav
from .windows import read_window as read_window, refuse_outside as refuse_outside
from .write_long import LongAnswers as LongAnswers
from .write_toml import toml_text as toml_text, with_unit as with_unit
from .write_trial import (
    description_of as description_of,
    write_line as write_line,
    write_trial as write_trial,
)
