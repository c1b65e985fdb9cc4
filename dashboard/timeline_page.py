"""The timeline page: one session on one time axis, its filters, the look at one placement, and a table."""

import json
from collections.abc import Callable
from typing import Any
from urllib.parse import quote

import pandas as pd
from dash import Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate

from daemon.records import SessionSummary
from dashboard.placement_panel import placement_panel
from dashboard.review import Review, Rows, Story, rows_of
from dashboard.timeline_figure import chosen, timeline_figure
from dashboard.timeline_table import placement_table, story_table
from dashboard.words import day_words
from drivers.errors import SessionError

PLOT = {
    "displaylogo": False,
    "modeBarButtonsToRemove": ["sendChartToCloud", "shareChart", "lasso2d", "select2d", "autoScale2d", "toImage"],
    "scrollZoom": True,
    "responsive": True,
}
REFRESH_MS = 2000
FILTERS = ("point", "mode", "hypothesis")


def layout(review: Review, session: str) -> html.Div:
    """The page of one session; ``session`` is its file name, "" means the one that is running."""
    try:
        story = review.story(session)
    except SessionError:
        return _choose(review, session)
    unit = story.meta.get("unit") or "unit not named"
    serial = story.meta.get("serial", "")
    started = story.meta.get("started_us", "")
    return html.Div(
        id="timeline",
        className="review",
        children=[
            html.H1(f"{unit}{f', no. {serial}' if serial else ''}"),
            html.P(_standing(story, day_words(int(started)) if started.isdigit() else ""), className="empty"),
            dcc.Store(id="timeline-session", data=session),
            dcc.Store(id="timeline-mark", data=""),
            dcc.Store(id="timeline-look"),
            dcc.Store(id="timeline-shown", data=""),
            dcc.Interval(id="timeline-tick", interval=REFRESH_MS, disabled=story.now_us is None),
            html.Div([_filter(name) for name in FILTERS], className="filters"),
            dcc.Graph(id="timeline-plot", config=PLOT, className="timeline-plot"),
            html.Section(id="timeline-panel", className="panel", **{"aria-live": "polite"}),
            # Filled by correct.js: it must outlive the panel, which is redrawn while somebody types here.
            html.Section(id="timeline-correct", className="correct", **{"data-stay": ""}),
            html.H2("Placements"),
            html.Div(id="timeline-table", className="table-room"),
            html.H2("Everything that happened"),
            html.Div(id="timeline-events", className="table-room"),
        ],
    )


def _standing(story: Story, started: str) -> str:
    ended = story.meta.get("closed_us", "")
    end = f"closed {day_words(int(ended))}" if ended.isdigit() else "still open"
    return f"Started {started}, {end}. {len(story.placements)} placements, {len(story.events)} events. Local time."


def _filter(name: str) -> html.Label:
    return html.Label(
        className="filter",
        children=[
            html.Span(name),
            dcc.Dropdown(id=f"filter-{name}", multi=True, placeholder=f"every {name}", clearable=True),
        ],
    )


def _choose(review: Review, session: str) -> html.Div:
    asked = f"There is no session {session!r} here. " if session else "No session is running. "
    rows = [html.Li(_link(each)) for each in review.listing()]
    return html.Div(
        id="timeline",
        className="review",
        children=[
            html.H1("Timeline"),
            html.P([asked, "Choose one:" if rows else "There are none yet."]),
            html.Ul(rows),
        ],
    )


def _link(summary: SessionSummary) -> html.A:
    words = f"{summary.unit or summary.file.name}, {day_words(summary.started_us)}"
    return html.A(words, href=timeline_address(summary.file.name))


def timeline_address(file_name: str) -> str:
    """The address of a session's timeline."""
    return f"/timeline?session={quote(file_name)}"


def add_callbacks(pages: Dash, review: Review) -> None:
    """Wire the page; every callback names the session by its file name."""
    filters = [Input(f"filter-{name}", "value") for name in FILTERS]
    options = [Output(f"filter-{name}", "options") for name in FILTERS]
    session, mark = State("timeline-session", "data"), State("timeline-mark", "data")
    pages.callback(
        Output("timeline-plot", "figure"),
        Output("timeline-table", "children"),
        Output("timeline-events", "children"),
        Output("timeline-mark", "data"),
        *options,
        Input("timeline-tick", "n_intervals"),
        Input("timeline-look", "data"),
        *filters,
        session,
        mark,
    )(_show(review))
    pages.callback(
        Output("timeline-look", "data"),
        Input("timeline-plot", "clickData"),
        prevent_initial_call=True,
    )(_look_at)
    pages.callback(
        Output("timeline-panel", "children"),
        Output("timeline-correct", "data-stay"),
        Output("timeline-shown", "data"),
        Input("timeline-look", "data"),
        Input("timeline-mark", "data"),
        session,
        State("timeline-shown", "data"),
    )(_show_placement(review))


def _show(review: Review) -> Callable[..., Any]:
    def show(_: int, look: int | None, points: Any, modes: Any, hypotheses: Any, session: str, mark: str) -> Any:
        story = review.story(session)
        if ctx.triggered_id == "timeline-tick" and story.mark == mark:
            raise PreventUpdate
        placements = chosen(story.placements, points or [], modes or [], hypotheses or [])
        return (
            timeline_figure(story, placements, _thumbnails(review, session, story), look),
            placement_table(placements, look),
            story_table(story),
            story.mark,
            *(_options(story.placements, name) for name in FILTERS),
        )

    return show


def _look_at(clicked: Any) -> Any:
    """The placement whose bar was clicked; the table's buttons are timeline.js's."""
    data = clicked["points"][0].get("customdata") if clicked else None
    return data[0] if data and data[0] is not None else no_update


def _show_placement(review: Review) -> Callable[..., Any]:
    def show_placement(look: int | None, _: str, session: str, shown: str) -> Any:
        if look is None:
            words = "Click a placement, or press n and b, to see its readings."
            return html.P(words, className="empty"), "", ""
        story = review.story(session)
        row = next(iter(rows_of(story.placements[story.placements["id"] == look])), None)
        if row is None:
            return html.P(f"There is no placement {look} any more."), "", ""
        readings, changes = review.stay(session, look)
        running = story.now_us is not None
        now = f"{tuple(row)[1:]} {len(readings)} {len(changes)} {running}"
        if now == shown:
            raise PreventUpdate
        stay = _stay_as_json(row, str(review.file_of(session)) if running else None)
        return placement_panel(row, readings, changes), stay, now

    return show_placement


def _stay_as_json(row: Any, running: str | None) -> str:
    """What the page's form starts from; ``running`` is the file of the session that may be corrected."""
    tags = {name: getattr(row, name) for name in ("point", "leg", "mode", "condition", "hypothesis")}
    return json.dumps({"session": running, "placement": int(row.id), "struck": bool(row.struck), "tags": tags})


def _thumbnails(review: Review, session: str, story: Story) -> dict[int, Rows]:
    kept = pd.concat([story.switch_ons["capture"], story.switch_ons["reference"]])
    numbers = [int(number) for number in kept.dropna().unique()]
    return review.thumbnails(session, numbers)


def _options(placements: pd.DataFrame, name: str) -> list[str]:
    return [str(value) for value in placements[name].unique() if value]
