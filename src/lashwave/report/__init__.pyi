from . import (
    campaign_page as campaign_page,
    compare_page as compare_page,
    design_page as design_page,
    export as export,
    figures_design as figures_design,
    figures_study as figures_study,
    law_page as law_page,
    numbers as numbers,
    page as page,
    paper as paper,
    parameters_page as parameters_page,
    plan_page as plan_page,
    sensitivity_page as sensitivity_page,
    style as style,
)
from .compare_page import HEADINGS as HEADINGS, cells as cells
from .contact import Still as Still, draw as draw, draw_health as draw_health
from .export import figure_file as figure_file, table_file as table_file
from .figures_maps import moments as moments
from .numbers import chance as chance, decimals as decimals, fixed as fixed
