"""Interim."""
from __future__ import annotations
from dataclasses import dataclass, field
import pandas as pd

@dataclass(frozen=True, slots=True, eq=False)
class Forecast:
    breach_probability: float | None = None
    weeks_p10: float | None = None
    weeks_p50: float | None = None
    weeks_p90: float | None = None
    change_percent_per_month: float | None = None
    level_now: float | None = None
    fan: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["weeks", "p10", "p25", "p50", "p75", "p90"]))

def nothing_known() -> Forecast:
    return Forecast()

def forecast(weeks, levels, variances, *, lower, upper, horizon_weeks):
    return Forecast()
