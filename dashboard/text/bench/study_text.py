"""A gauge study in words, for page and terminal."""

from __future__ import annotations

from dashboard.text.formatting import amount, characteristic, day, signed
from ingest.common.text import printable
from ingest.documents.bench.gauge_study import GaugeStudyDocument, StudyBias, StudyFigures
from spc.vocabulary.enums import Scale

__all__ = ["MEANING", "component_rows", "mean_words", "session_rows", "study_lines", "study_listing"]

ORDER_RISK = 0.05
MEANING = {
    "specimen": "between the bags of the study",
    "session": "shared by a whole session",
    "interaction": "bag by session",
    "repeat": "from repeat to repeat on a bag",
    "gauge": "session, bag by session and repeat together",
    "total": "all of the study",
}


def component_rows(one: GaugeStudyDocument) -> list[list[str]]:
    """The parts of the variation: name, standard deviation and its 95 % interval."""
    if one["figures"] is None:
        return []
    rows = []
    for part in one["figures"]["components"]:
        value = "not above 0" if part["variance"] <= 0 else _sd(one, part["variance"])
        rows.append([MEANING[part["name"]], value, f"{_sd(one, part['low'])} to {_sd(one, part['high'])}"])
    return rows


def session_rows(one: GaugeStudyDocument) -> list[list[str]]:
    """The sessions: name, mean of the readings, number of readings."""
    if one["figures"] is None:
        return []
    return [
        [each["session"], amount(each["mean"], one["unit"]), str(each["readings"])]
        for each in one["figures"]["session_means"]
    ]


def mean_words(one: GaugeStudyDocument) -> str:
    """The kind of mean that a session has."""
    return "geometric mean" if Scale(one["scale"]) == Scale.LOG else "mean"


def _sd(one: GaugeStudyDocument, variance: float) -> str:
    sd = variance**0.5
    return f"{100 * sd:.1f} %" if Scale(one["scale"]) == Scale.LOG else amount(sd, one["unit"])


def study_lines(one: GaugeStudyDocument) -> list[str]:
    """What the study shows, a sentence each, the part for verdicts first."""
    figures = one["figures"]
    if figures is None:
        return [one["trouble"]]
    lines = [
        f"A whole session ({one['session_column']}) varies by {_sd(one, figures['session_sd'] ** 2)}, with {figures['session_df']:.1f} degrees of "
        f"freedom. From {day(one['done_on'])} on it is the bench part of verdicts on {characteristic(one['characteristic'])} where neither check "
        "standards nor lots tested again show it.",
        f"{figures['specimens']} bags × {figures['sessions']} sessions × {figures['repeats']} repeats, from {amount(figures['lowest'], one['unit'])} to "
        f"{amount(figures['highest'], one['unit'])}. The gauge can distinguish {_categories(figures)} groups of these bags; its share of "
        f"their scatter is {100 * figures['share']['value']:.0f} % ({100 * figures['share']['low']:.0f} to {100 * figures['share']['high']:.0f} %).",
        *_unlike(one, figures),
        _order(one, figures),
        *_bias(one, figures["bias"]),
    ]
    if figures["session_df"] < figures["sessions"] - 1.5 or figures["sessions"] < 6:
        lines.append(
            f"With only {figures['sessions']} sessions the session part is known poorly; more bags or repeats would hardly change that."
        )
    return lines


def _unlike(one: GaugeStudyDocument, figures: StudyFigures) -> list[str]:
    """The sessions unlike the others, each with what to look at; a study holds them like any other."""
    lines = []
    for each in figures["unlike"]:
        name = f"{one['session_column']} {each['session']}"
        if each["by"] == "level":
            side = "above" if each["value"] > 0 else "below"
            text = f"The readings of {name} lie {side} those of the others: {abs(each['value']):.2f} standard deviations of their means"
            cause = "calibration, load and the way the bags were laid in"
        else:
            text = f"The repeats of {name} vary more than those of the others: {each['value']:.2f} times their standard deviation"
            cause = "contacts, the way the bags were laid in and slips in the table"
        lines.append(
            f"{text} (limit {each['limit']:.2f}, 1 %). Look at {cause}. The study counts this {one['session_column']} until a new table leaves it out."
        )
    return lines


def _categories(figures: StudyFigures) -> str:
    ends = figures["categories"]
    return f"{ends['value']:.0f} ({ends['low']:.0f} to {ends['high']:.0f})"


def _order(one: GaugeStudyDocument, figures: StudyFigures) -> str:
    change = (
        f"{signed(figures['order_change'], '.1f')} %"
        if Scale(one["scale"]) == Scale.LOG
        else f"{figures['order_change']:.3g} {one['unit']}"
    )
    if figures["order_p_value"] < ORDER_RISK:
        return f"Readings move by {change} from one repeat to the next: repeats wear the bag, and the repeat part holds that too."
    return f"No effect of the order of repeats found ({change} from one to the next)."


def _bias(one: GaugeStudyDocument, bias: StudyBias | None) -> list[str]:
    """What the reference values show: the mean deviation, and whether it changes over the range."""
    if bias is None:
        return []
    mean, low, high = (_deviation(one, bias[name]) for name in ("mean", "mean_low", "mean_high"))
    lines = [
        f"Against the reference values the readings deviate by {mean} ({low} to {high}, by {bias['sessions_df'] + 1} sessions). The "
        "uncertainty of the references comes on top."
    ]
    change, p_value, bent = bias["change"], bias["change_p_value"], bias["bent_p_value"]
    if change is not None and p_value is not None:
        result = (
            "The deviation changes over the range"
            if p_value < ORDER_RISK
            else "No change of the deviation over the range is shown"
        )
        lines.append(
            f"{result}: {_deviation(one, change)} from the least to the greatest reference, by a straight line (p {p_value:.2g})."
        )
    if bent is not None and bent < ORDER_RISK:
        lines.append(f"The deviations do not lie on a straight line (p {bent:.2g}): look at each reference by itself.")
    return lines


def _deviation(one: GaugeStudyDocument, value: float) -> str:
    return f"{signed(value, '.1f')} %" if Scale(one["scale"]) == Scale.LOG else f"{signed(value, '.3g')} {one['unit']}"


def study_listing(documents: list[GaugeStudyDocument]) -> str:
    """The studies for a terminal."""
    if not documents:
        return "No gauge study is declared; see [[gauge_study]] in the guide."
    lines = []
    for one in documents:
        lines += [
            f"{one['name']}, {characteristic(one['characteristic'])}, {day(one['done_on'])}",
            *(f"  {line}" for line in study_lines(one)),
        ]
        lines += [f"  {name}: {value} ({ends})" for name, value, ends in component_rows(one)]
        lines += [
            f"  {one['session_column']} {name}: {mean_words(one)} {mean}, {number} readings"
            for name, mean, number in session_rows(one)
        ]
    return "\n".join(printable(line) for line in lines)
