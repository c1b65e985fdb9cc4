"""One placement looked at closely: its readings drawn and listed, its tags, what was made of it. Pure."""

from typing import Any

import pandas as pd
import plotly.graph_objects as go
from dash import dcc, html

from dashboard.review import rows_of
from dashboard.timeline_figure import INK, verdict_of
from dashboard.words import clock_words, place_words, reads_words, unit_of, value_words, with_unit

MOST_DRAWN = 4000
MOST_LISTED = 400
_PLOT = {"displaylogo": False, "displayModeBar": False, "responsive": True}


def placement_panel(row: Any, readings: pd.DataFrame, changes: pd.DataFrame) -> list[Any]:
    """The panel of one placement's row, its readings and its corrections."""
    return [
        html.H2([f"{place_words(row)}, probe {row.probe}, from {clock_words(int(row.t0_us))}"], id="panel-heading"),
        html.Div(className="panel-two", children=[_facts(row, changes), _plot(row, readings)]),
        _list(readings),
    ]


def _facts(row: Any, changes: pd.DataFrame) -> html.Dl:
    judgement = row.judgement if isinstance(row.judgement, dict) else {}
    unit = unit_of(row.quantity)
    told = [
        ("reads", _settled_words(row)),
        ("verdict", verdict_of(row)),
        ("expected", with_unit(judgement.get("expected"), unit) if judgement.get("expected") is not None else ""),
        ("limits", _limits(judgement, unit)),
        ("compared with", judgement.get("compared_with", "")),
        ("mode", row.mode),
        ("fed by", row.condition),
        ("hypothesis", row.hypothesis or "none"),
        ("instrument", " ".join(part for part in (row.instrument, row.channel) if part)),
        ("readings", str(int(row.count))),
        *(("changed", _change_words(change)) for change in rows_of(changes)),
    ]
    return html.Dl([html.Div([html.Dt(name), html.Dd(words)]) for name, words in told if words], className="facts")


def _settled_words(row: Any) -> str:
    if pd.isna(row.value) or pd.isna(row.uncertainty):
        return reads_words(row)
    return f"{reads_words(row)} ± {value_words(row.uncertainty, row.quantity, 2)}"


def _limits(judgement: dict[str, Any], unit: str) -> str:
    if judgement.get("low") is None or judgement.get("high") is None:
        return ""
    return f"{with_unit(judgement['low'], unit)} to {with_unit(judgement['high'], unit)}"


def _change_words(change: Any) -> str:
    parts = [_one_change(name, change.before.get(name), after) for name, after in change.after.items()]
    why = f" ({change.why})" if change.why else ""
    return f"{clock_words(int(change.t_us))} {', '.join(parts)}{why}"


def _one_change(name: str, before: Any, after: Any) -> str:
    if name == "struck":
        return "struck" if after else "strike undone"
    words = {"condition": "fed by"}.get(name, name)
    return f"{words}: {before or 'none'} → {after or 'none'}"


def _plot(row: Any, readings: pd.DataFrame) -> dcc.Graph:
    every = max(1, -(-len(readings) // MOST_DRAWN))
    shown = readings.iloc[::every]
    begin = pd.Timestamp(int(row.t0_us), unit="us", tz="UTC")
    seconds = (shown["time"] - begin).dt.total_seconds()
    figure = go.Figure()
    judgement = row.judgement if isinstance(row.judgement, dict) else {}
    if judgement.get("low") is not None and judgement.get("high") is not None:
        figure.add_hrect(
            y0=judgement["low"], y1=judgement["high"], fillcolor="rgba(125,130,136,0.18)", line_width=0,
            annotation_text="permitted", annotation_position="top left",
        )  # fmt: skip
    figure.add_scatter(
        x=seconds.tolist(),
        y=[None if pd.isna(value) else float(value) for value in shown["value"]],
        mode="lines+markers",
        line={"color": "#0072b2", "width": 1.6},
        marker={"size": 5},
        hovertemplate="%{x:.2f} s: %{y:.5g} " + unit_of(row.quantity) + "<extra></extra>",
    )
    plain = {"gridcolor": "rgba(125,130,136,0.28)", "zeroline": False, "color": INK}
    figure.update_layout(
        height=270,
        margin={"l": 60, "r": 8, "t": 8, "b": 40},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        font={"family": "system-ui, Segoe UI, Liberation Sans, sans-serif", "size": 13, "color": INK},
        xaxis={**plain, "title": {"text": "seconds since the placement began", "font": {"size": 13}}},
        yaxis={**plain, "ticksuffix": f" {unit_of(row.quantity)}", "range": _flat_range(shown["value"])},
        showlegend=False,
        uirevision=f"placement {row.id}",
    )
    return dcc.Graph(figure=figure, config=_PLOT, className="panel-plot")


def _flat_range(values: "pd.Series[float]") -> list[float] | None:
    """Room around a line that is all but flat, which would else be magnified or lost; None leaves it to the plot."""
    middle = values.mean()
    room = max(abs(middle) * 0.1, 1e-3)
    return [middle - room, middle + room] if values.max() - values.min() < room / 5 else None


def _list(readings: pd.DataFrame) -> html.Details:
    shown = readings.tail(MOST_LISTED)
    more = "" if len(shown) == len(readings) else f", the last {len(shown)} of them"
    rows = [
        html.Tr([
            html.Td(_moment(row.time)),
            html.Td("" if pd.isna(row.value) else f"{row.value:.6g} {row.unit}", className="number"),
            html.Td(row.flags),
        ])
        for row in rows_of(shown)
    ]  # fmt: skip
    head = html.Tr([html.Th(heading, scope="col") for heading in ("at", "value", "flags")])
    count = "1 reading" if len(readings) == 1 else f"{len(readings)} readings"
    return html.Details([html.Summary(f"{count} as a table{more}"), html.Table([html.Thead(head), html.Tbody(rows)])])


def _moment(time: pd.Timestamp) -> str:
    return f"{time.tz_convert('UTC').to_pydatetime().astimezone():%H:%M:%S.%f}"[:-3]
