"""A gauge study: how much of the variation comes from the session and from repeats, and what that means for verdicts."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field
from typing_extensions import TypedDict

from ingest.documents.fields import Count, Day, Probability
from spc.vocabulary.enums import Scale

__all__ = ["GaugeStudyDocument", "StudyBias", "StudyComponent", "StudyFigures", "StudySession", "WithEnds"]

NotNegative = Annotated[float, Field(ge=0)]


class WithEnds(TypedDict):
    """A figure with its 95 % interval."""

    value: NotNegative
    low: NotNegative
    high: NotNegative


class StudyComponent(TypedDict):
    """A variance of the study in the charted scale with its 95 % interval; may be negative."""

    name: str
    variance: float
    low: NotNegative
    high: NotNegative


class StudyBias(TypedDict):
    """Deviation of the readings from reference values: percent on a log scale, else in the unit.

    `mean` with its 95 % interval is over the sessions; `sessions_df` are its degrees of freedom. `change` is that of the bias from the
    least to the greatest reference by a straight line, null with one reference value, `change_p_value` for none. `bent_p_value` is for
    a straight line; null with two references.
    """

    references: Count
    mean: float
    mean_low: float
    mean_high: float
    sessions_df: Count
    change: float | None
    change_p_value: Probability | None
    bent_p_value: Probability | None


class StudySession(TypedDict):
    """A session that differs from the others at 1 %: by the mean of its readings or by the scatter of its repeats.

    `value` is beyond `limit`: the distance of its mean from that of all sessions in standard deviations of these means, or the standard
    deviation of its repeats relative to that of all.
    """

    session: str
    by: Literal["level", "repeats"]
    value: float
    limit: NotNegative


class StudySessionMean(TypedDict):
    """The mean of the readings of a session in the unit, geometric on a log scale, and their number."""

    session: str
    mean: float
    readings: Count


class StudyFigures(TypedDict):
    """The figures of a study.

    `session_sd` with `session_df` is the standard deviation that a whole session shares, in the charted scale; `share` is that of
    the gauge in the scatter of the study, `categories` the groups of bags that it can distinguish. `order_change` is the mean change
    from one repeat to the next, in percent on a log scale. `unlike` are the sessions unlike the others. `bias` is null where the file has no reference values.
    """

    specimens: Count
    sessions: Count
    repeats: Count
    lowest: float
    highest: float
    components: list[StudyComponent]
    session_sd: NotNegative
    session_df: NotNegative
    share: WithEnds
    categories: WithEnds
    order_change: float
    order_p_value: Probability
    session_means: list[StudySessionMean]
    unlike: list[StudySession]
    bias: StudyBias | None


class GaugeStudyDocument(TypedDict):
    """A declared study; `trouble` is the reason why it has no figures. `session_column` distinguishes the sessions."""

    name: str
    characteristic: str
    unit: str
    scale: Scale
    file: str
    session_column: str
    done_on: Day
    trouble: str
    figures: StudyFigures | None
