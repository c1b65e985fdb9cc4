"""The list of sessions: look at one, take one up again, or start a new one and name its unit."""

from dash import html

from daemon.records import SessionSummary
from dashboard.review import Review
from dashboard.timeline_page import timeline_address
from dashboard.words import day_words

_HEADINGS = ("", "unit", "serial", "started", "last reading", "placements", "file", "state")


def layout(review: Review) -> html.Div:
    """The page; the form is filled in by the scripts in ``assets/``."""
    return html.Div(
        id="sessions",
        className="review",
        children=[
            html.H1("Sessions"),
            html.H2("A unit on the bench"),
            html.Div(id="session-form"),
            html.H2("Kept sessions"),
            html.Div(_list(review), className="table-room"),
        ],
    )


def _list(review: Review) -> html.Table | html.P:
    summaries = review.listing()
    if not summaries:
        return html.P("None is kept yet. Name a unit above to start the first.", className="empty")
    head = html.Tr([html.Th(heading, scope="col") for heading in _HEADINGS])
    return html.Table([html.Thead(head), html.Tbody([_row(each) for each in summaries])])


def _row(summary: SessionSummary) -> html.Tr:
    readable = summary.state in ("running", "closed", "left open")
    cells = (
        _acts(summary.file.name, str(summary.file), summary.state) if readable else "",
        summary.unit or "not named",
        summary.serial,
        day_words(summary.started_us),
        day_words(summary.last_us),
        str(summary.placements),
        summary.file.name,
        f"{summary.state}: {summary.why}" if summary.why else summary.state,
    )
    # "data-heading" is no Python name, hence the mapping; where there is no room for columns it stands before the cell.
    return html.Tr(
        [
            html.Td(cell, className="number" if heading == "placements" else None, **{"data-heading": heading})
            for heading, cell in zip(_HEADINGS, cells, strict=True)
        ]
    )


def _acts(name: str, path: str, state: str) -> html.Div:
    look = html.A("timeline", href=timeline_address(name), className="press small")
    again = html.Button("resume", type="button", className="press small", **{"data-resume": path})
    return html.Div([look, again] if state != "running" else [look], className="choices")
