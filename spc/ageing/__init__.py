"""How the level of a film moves while its lots lie on the shelf, and when it meets a limit.

Within a lot, only the difference between two tests shows ageing: lots that differ in age at their first test differ in much
else. `own_date` answers for a single lot, `tolerance_life` for the lots of a film, `mean_line_life` for the mean of the
lots that were tested, which is no promise about a lot. Ages are in months, levels in the charted scale.
"""

from spc.ageing.film_life import (
    BoundedLife,
    Lines,
    MeanLineLife,
    Poolability,
    Side,
    ToleranceLife,
    bounded_life,
    furthest,
    lines,
    mean_line_life,
    poolability,
    square_term,
    tolerance_life,
    with_bounds_filled,
)
from spc.ageing.lot_dates import (
    OwnDates,
    SlopeLaw,
    chance_over,
    months_to_chance,
    own_date,
    slope_law,
    weighed_slopes,
)

__all__ = [
    "DAYS_PER_MONTH", "BoundedLife", "Lines", "MeanLineLife", "OwnDates", "Poolability", "Side", "SlopeLaw", "ToleranceLife",
    "bounded_life", "chance_over", "furthest", "lines", "mean_line_life", "months_to_chance", "own_date", "poolability",
    "slope_law", "square_term", "tolerance_life", "weighed_slopes", "with_bounds_filled",
]  # fmt: skip

DAYS_PER_MONTH = 30.4375
"""A month is a twelfth of 365.25 days."""
