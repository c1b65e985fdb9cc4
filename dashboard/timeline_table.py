"""The timeline as tables: the same for eyes that cannot use the plot, and for the keyboard. Pure."""

from typing import Any

import pandas as pd
from dash import html
from dash.development.base_component import Component

from dashboard.review import SHORT_STAY_US, Story, rows_of, telling
from dashboard.timeline_figure import verdict_of
from dashboard.words import clock_words, place_words, reads_words

_HEADINGS = ("", "from", "for", "probe", "point", "reads", "verdict", "mode", "fed by", "hypothesis")


def placement_table(placements: pd.DataFrame, looked_at: int | None) -> list[Component]:
    """One row a placement that tells something, with a button that shows its readings."""
    told = telling(placements)
    rows = [_placement_row(row, row.id == looked_at) for row in rows_of(told)]
    table = _table(_HEADINGS, rows) if rows else html.P("No placement passes the filters.", className="empty")
    return [table, html.P(_left_out(len(placements) - len(told)), className="empty")]


def _left_out(count: int) -> str:
    if not count:
        return ""
    stays = "One stay that was" if count == 1 else f"{count} stays that were"
    return f"{stays} over within {SHORT_STAY_US / 1e6:.0f} s without settling: not listed, the readings are kept."


def _placement_row(row: Any, looked_at: bool) -> html.Tr:
    button = html.Button(
        f"look at {row.id}",
        className="press small",
        type="button",
        **{"aria-pressed": "true" if looked_at else "false", "data-look": str(int(row.id))},
    )
    return html.Tr(
        className="struck" if row.struck else "",
        children=[
            html.Td(button, className="keep"),
            html.Td(clock_words(int(row.t0_us))),
            html.Td(_lasted(row), className="number"),
            html.Td(row.probe),
            html.Td(place_words(row)),
            html.Td(reads_words(row), className="" if pd.isna(row.value) else "number"),
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
