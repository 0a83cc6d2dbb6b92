"""A lot in words, for its page and its command: its result, what to do with it, and what to know before anybody releases it."""

from __future__ import annotations

from dashboard.text.bench.bench_mark_text import tested_while
from dashboard.text.bench.capture_text import is_serious
from dashboard.text.bench.instrument_text import tested_on
from dashboard.text.formatting import characteristic, day, listed, room_to_limit, shortly
from dashboard.text.verdict.verdict_text import bags_text, level_text
from ingest.documents.lot import LotDocument, Session
from spc.vocabulary.enums import AlertState, Grade, Kind, Verdict

__all__ = [
    "OVER",
    "RESULT_WORDS",
    "STREAM_ALERTS",
    "advice",
    "by_day",
    "headline",
    "result_of",
    "standing_sessions",
    "worry",
]

# The heading over the alerts that other lots raised and that are open.
STREAM_ALERTS = "Open alerts that other lots of its streams raised"
# The verdicts that the headline names, the worst first, with the words before the characteristics.
HEADLINES = {"fail": "fails the limit in", "undecided": "undecided:", "invalid": "no valid conditioning:"}
# The worst verdict first.
WORST_FIRST = (Verdict.FAIL, Verdict.UNDECIDED, Verdict.INVALID, Verdict.PASS, Verdict.UNLIMITED)
# A lot that passes by its level while bags read outside the limit.
OVER = "over"
RESULT_WORDS = {
    Verdict.FAIL: "Fail",
    Verdict.UNDECIDED: "Undecided",
    Verdict.INVALID: "Not valid",
    Verdict.PASS: "Pass",
    Verdict.UNLIMITED: "No limit",
    OVER: "Pass on the mean, bags outside the limit",
}


def by_day(document: LotDocument) -> list[Session]:
    """The sessions day by day, so that the tests of one morning stand together."""
    return sorted(document["sessions"], key=lambda one: (one["tested_at"][:10], one["characteristic"]))


def result_of(sessions: list[Session]) -> str:
    """The worst verdict of the sessions that stand; a pass with bags over the limit is a word of its own."""
    standing = standing_sessions(sessions)
    verdict = min((session["verdict"] for session in standing), key=WORST_FIRST.index)
    if verdict in (Verdict.PASS, Verdict.UNLIMITED) and any(
        bags_text(session["bag_count"], session) for session in standing
    ):
        return OVER
    return verdict


def headline(sessions: list[Session]) -> str:
    """What failed and what is not valid, each with the fact that worries; else that every test passed."""
    standing = standing_sessions(sessions)
    parts, named = [], ""
    for verdict, words in HEADLINES.items():
        some = [one for one in standing if one["verdict"] == verdict]
        if some:
            names = listed([characteristic(one["characteristic"]) for one in some])
            fact = _level_and_limit(some[0]) if verdict != Verdict.INVALID and len(some) == 1 else ""
            named = named if len(some) > 1 else some[0]["characteristic"]
            parts.append(f"{words} {names}{fact}")
    if parts:
        # The name that stands right before a fact is not repeated.
        just_named = named if len(parts) == 1 else ""
        return "; ".join(
            parts
            + [
                fact if one["characteristic"] == just_named else f"{characteristic(one['characteristic'])}: {fact}"
                for one in standing
                if one["verdict"] != "invalid" and (fact := worry(one))
            ]
        )
    worrying = [
        f"passes on the {one['judged_by']} in {characteristic(one['characteristic'])}{_level_and_limit(one)}, but {fact}"
        for one in standing
        if one["verdict"] == "pass" and (fact := worry(one))
    ]
    if worrying:
        return "; ".join(worrying)
    passed = any(one["verdict"] == "pass" for one in standing)
    return "every test valid and within the limits" if passed else "no specification limit applies"


def _level_and_limit(session: Session) -> str:
    if session["level"] is None and session["level_range"] is None:
        return ""
    level = level_text(session["level"], session["level_range"], session)
    return f" ({level}, limit {room_to_limit(session)})"


def advice(document: LotDocument, sessions: list[Session], likely: float) -> str:
    """What to do with the lot."""
    if (decision := document["decision"]) is not None:
        return f"Decided: {decision['what']}, by {decision['who']}, {day(decision['at'])}."
    result = result_of(sessions)
    if result == Verdict.INVALID:
        return "Test fresh bags after the full conditioning: this test does not count."
    if document["check_standard"]:
        return "A check standard: it monitors the bench and is not released."
    if result == OVER:
        bags = next(bags for one in standing_sessions(sessions) if (bags := bags_text(one["bag_count"], one)))
        return f"Hold the lot: {bags}. Have the authorised person decide."
    if (retest := _passed_retest(sessions)) is not None:
        result = f"{day(retest['tested_at'])} passed at {level_text(retest['level'], retest['level_range'], retest)}"
        return f"The retest of {result}. The first result stands: have the authorised person decide."
    if result in (Verdict.FAIL, Verdict.UNDECIDED):
        return "Hold the lot. Test fresh bags and have the authorised person decide."
    if any(one["captures"] is not None and is_serious(one["captures"]) for one in sessions):
        return "Hold the lot until it is known which is right: the recorded figures do not agree with the captures."
    doubts = _doubts(document, sessions, likely)
    return f"{doubts}{' ' if doubts else ''}Whether the lot is released is for the authorised person to decide, by your procedure."


def _doubts(document: LotDocument, sessions: list[Session], likely: float) -> str:
    """What the person who decides on a lot that passes has to know first."""
    parts = []
    marked = [one["bench_findings"] for one in standing_sessions(sessions) if one["bench_findings"]]
    parts += [f"It was tested {words}." for words in dict.fromkeys(map(tested_while, marked))]
    wrong = dict.fromkeys(
        tested_on(one["bench"]) for one in standing_sessions(sessions) if one["bench"]["state"] in ("overdue", "failed")
    )
    parts += [f"It was tested with {one}." for one in wrong]
    urgent = [
        alert
        for alert in (*document["alerts"], *document["stream_alerts"])
        if alert["grade"] == Grade.ACT and alert["state"] != AlertState.CLOSED and not alert["held_under"]
    ]
    for alert in urgent[:1]:
        happened = shortly(alert["kind"], alert["evidence"], likely)
        where = "" if alert["lot"] == document["lot"] or alert["kind"] != Kind.LIMIT else f" (lot {alert['lot']})"
        parts.append(f"An urgent alert on {characteristic(alert['characteristic'] or '')} is open: {happened}{where}.")
    if not urgent and any(one["outside_control_limits"] for one in standing_sessions(sessions)):
        parts.append("Its level is outside the control limits.")
    return " ".join(parts)


def _passed_retest(sessions: list[Session]) -> Session | None:
    """The last retest, if it is of a characteristic that failed or is undecided and has passed since."""
    standing = {one["characteristic"]: one["verdict"] for one in standing_sessions(sessions)}
    open_ones = (Verdict.FAIL, Verdict.UNDECIDED)
    passed = [
        one for one in sessions if standing[one["characteristic"]] in open_ones and one["verdict"] == Verdict.PASS
    ]
    return passed[-1] if passed else None


def worry(session: Session) -> str:
    """What a reader of a pass must know too: bags outside the limit, a level outside the control limits."""
    parts = [bags] if (bags := bags_text(session["bag_count"], session)) else []
    return ", ".join(parts + (["level outside the control limits"] if session["outside_control_limits"] else []))


def standing_sessions(sessions: list[Session]) -> list[Session]:
    """The session that stands for each characteristic: the first valid one, else the first."""
    by_name: dict[str, list[Session]] = {}
    for session in sessions:
        by_name.setdefault(session["characteristic"], []).append(session)
    return [
        next((one for one in some if one["conditioning"]["state"] == "valid"), some[0]) for some in by_name.values()
    ]
