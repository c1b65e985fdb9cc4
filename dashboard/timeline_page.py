"""The timeline page: empty places that the scripts in ``assets/`` fill for the session that was chosen."""

from urllib.parse import quote

from dash import html

from daemon.records import SessionSummary
from dashboard.review import Review
from dashboard.words import day_words
from drivers.errors import SessionError


def layout(review: Review, session: str) -> html.Div:
    """The page of one session; ``session`` is its file name, "" means the one that is running."""
    try:
        review.file_of(session)
    except SessionError:
        return _choose(review, session)
    return html.Div(
        id="timeline",
        className="review",
        **{"data-session": session},
        children=[
            html.Div(
                className="session-head",
                children=[html.H1(id="timeline-unit", children="Timeline"), html.Div(id="timeline-choose")],
            ),
            html.P(id="timeline-standing", className="empty", children="Being read…"),
            html.Div(id="timeline-wrong", **{"role": "status"}),
            html.Div(id="timeline-filters", className="filters"),
            html.Section(id="timeline-plot", className="timeline-plot", **_labelled("Time axis")),
            html.Section(id="timeline-panel", className="panel", **_labelled("The opened placement")),
            # Filled by correct.js: it must outlive the panel, which is redrawn while somebody types here.
            html.Section(
                id="timeline-correct", className="correct", **_labelled("Correcting"), **{"data-stay": ""}
            ),
            *_part("timeline-table", "Placements"),
            *_part("timeline-events", "Everything that happened"),
            *_part("timeline-history", "What was changed afterwards"),
        ],
    )


def _part(place: str, heading: str) -> tuple[html.H2, html.Div]:
    return html.H2(heading, id=f"{place}-heading"), html.Div(id=place, className="table-part")


def _labelled(words: str) -> dict[str, str]:
    return {"aria-label": words}


def _choose(review: Review, session: str) -> html.Div:
    asked = f"There is no session {session!r} here. " if session else "No session is running. "
    readable = [each for each in review.listing() if each.started_us is not None]
    return html.Div(
        id="timeline",
        className="review",
        children=[
            html.H1("Timeline"),
            html.P([asked, "Choose one:" if readable else "There are none yet: start one on the sessions page."]),
            html.Ul([html.Li(_link(each)) for each in readable]),
        ],
    )


def _link(summary: SessionSummary) -> html.A:
    words = ", ".join(part for part in (summary.unit or summary.file.name, day_words(summary.started_us)) if part)
    return html.A(words, href=timeline_address(summary.file.name))


def timeline_address(file_name: str) -> str:
    """The address of a session's timeline."""
    return f"/timeline?session={quote(file_name)}"
