"""The timeline as tables: the same for eyes that cannot use the plot, and for the keyboard. Pure."""

from typing import Any

import pandas as pd
from dash import html

from dashboard.review import Story, rows_of
from dashboard.timeline_figure import verdict_of
from dashboard.words import clock_words, place_words, value_words

_HEADINGS = ("", "from", "for", "probe", "point", "reads", "verdict", "mode", "fed by", "hypothesis")


def placement_table(placements: pd.DataFrame, looked_at: int | None) -> html.Table:
    """One row a placement, with a button that shows its readings."""
    rows = [_placement_row(row, row.id == looked_at) for row in rows_of(placements)]
    if not rows:
        return html.P("No placement passes the filters.", className="empty")
    return _table(_HEADINGS, rows)


def _placement_row(row: Any, looked_at: bool) -> html.Tr:
    button = html.Button(
        f"look at {row.id}",
        id={"look": int(row.id)},
        className="press small",
        type="button",
        **{"aria-pressed": "true" if looked_at else "false"},
    )
    value = "" if pd.isna(row.value) else value_words(row.value, row.quantity)
    return html.Tr(
        className="struck" if row.struck else "",
        children=[
            html.Td(button, className="keep"),
            html.Td(clock_words(int(row.t0_us))),
            html.Td(_lasted(row), className="number"),
            html.Td(row.probe),
            html.Td(place_words(row)),
            html.Td(value, className="number"),
            html.Td(verdict_of(row), className="keep"),
            *(html.Td(words) for words in (row.mode, row.condition, row.hypothesis)),
        ],
    )


def _lasted(row: Any) -> str:
    return "still" if pd.isna(row.t1_us) else f"{(int(row.t1_us) - int(row.t0_us)) / 1e6:.1f} s"


def story_table(story: Story) -> html.Table:
    """One row an event, the newest first."""
    events = story.events[story.events["kind"] != "capture"].iloc[::-1]
    rows = [
        html.Tr([html.Td(clock_words(int(row.t_us))), html.Td(row.kind), html.Td(row.text)])
        for row in rows_of(events)
    ]
    return _table(("at", "what", ""), rows)


def _table(headings: tuple[str, ...], rows: list[html.Tr]) -> html.Table:
    head = html.Tr([html.Th(heading, scope="col") for heading in headings])
    return html.Table([html.Thead(head), html.Tbody(rows)])
