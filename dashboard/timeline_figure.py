"""The timeline drawn: placements as bars a probe, events, switch-ons, objections on one time axis. Pure."""

from typing import Any
from urllib.parse import quote

import pandas as pd
import plotly.graph_objects as go

from dashboard.review import Rows, Story, rows_of, says_nothing, telling
from dashboard.words import local, place_words, reads_words, value_words

# The green and vermillion of Okabe and Ito (2008), darkened until white words on them reach 4.5:1 while
# the bars keep 3:1 on paper and on near-black. The pattern says the verdict again.
GREEN, VERMILLION, GREY = "#00795a", "#b34a08", "#6a6f75"
LOOK = {
    "inside": (GREEN, ""),
    "probably inside": (GREEN, "."),
    "probably outside": (VERMILLION, "/"),
    "outside": (VERMILLION, "x"),
    "not compared": (GREY, ""),
}
SHADE = "rgba(0,0,0,0.38)"
EDGE = "rgba(255,255,255,0.9)"  # parts placements that follow each other without a gap
STRUCK_LOOK = (GREY, "\\")
EVENT_LANES = {
    "switch-on": ("switch-on", "triangle-up"),
    "switch-off": ("switch-on", "triangle-down"),
    "note": ("notes", "circle"),
    "proof": ("notes", "star"),
    "part replaced": ("notes", "square"),
    "part lifted": ("notes", "square-open"),
    "bypassed": ("notes", "square-cross"),
    "adjusted": ("notes", "diamond"),
    "cleaned": ("notes", "diamond-open"),
    "objection": ("objections", "x"),
    "mode": ("unit", "line-ns-open"),
    "condition": ("unit", "line-ns-open"),
    "hypothesis": ("unit", "hexagon-open"),
    "unit": ("unit", "circle-open"),
}
OTHER_EVENTS = ("bench", "circle-open")
SHORTEST_S = 0.4  # a shorter placement is still drawn wide enough to be clicked
ROOMY = 0.045  # share of the whole time from which on a bar has room for two lines
SHORT_LEG = 4  # letters of a leg that still fit on a bar beside the point
INK = "#7d8288"
FAINT = "rgba(125,130,136,0.35)"


def verdict_of(row: Any) -> str:
    """The verdict of a placement's row, "struck" where it was struck."""
    if row.struck:
        return "struck"
    judgement = row.judgement if isinstance(row.judgement, dict) else {}
    return str(judgement.get("verdict") or "not compared")


def chosen(placements: pd.DataFrame, points: list[str], modes: list[str], hypotheses: list[str]) -> pd.DataFrame:
    """The placements that pass the filters; an empty filter lets all pass."""
    for column, wanted in (("point", points), ("mode", modes), ("hypothesis", hypotheses)):
        if wanted:
            placements = placements[placements[column].isin(wanted)]
    return placements


def timeline_figure(
    story: Story, placements: pd.DataFrame, thumbnails: dict[int, Rows], looked_at: int | None = None
) -> go.Figure:
    """The whole timeline; ``thumbnails`` are the traces of switch-ons and of their references by capture."""
    figure = go.Figure()
    lanes = _lanes(story)
    _add_silent(figure, placements, story)
    told = telling(placements)
    for verdict in (*LOOK, "struck"):
        _add_bars(figure, told, verdict, story)
    _add_looked_at(figure, placements, looked_at, story)
    for lane in ("unit", "notes", "objections", "bench", "switch-on"):
        _add_events(figure, story, lane)
    _add_verdicts(figure, story, thumbnails)
    _lay_out(figure, lanes)
    return figure


def _lanes(story: Story) -> list[str]:
    probes = [f"probe {name}" for name in sorted(story.placements["probe"].unique())]
    return ["switch-on", *probes, "objections", "notes", "unit", "bench"]


def _end_us(story: Story) -> int:
    if story.now_us is not None:
        return story.now_us
    ends = [story.placements["t1_us"].max(), story.placements["t0_us"].max(), story.events["t_us"].max()]
    return max((int(end) for end in ends if not pd.isna(end)), default=0)


def _seconds(row: Any, last_us: int) -> float:
    end_us = last_us if pd.isna(row.t1_us) else int(row.t1_us)
    return float(max(SHORTEST_S, (end_us - int(row.t0_us)) / 1e6))


def _add_bars(figure: go.Figure, placements: pd.DataFrame, verdict: str, story: Story) -> None:
    rows = [row for row in rows_of(placements) if verdict_of(row) == verdict]
    if not rows:
        return
    colour, pattern = LOOK.get(verdict, STRUCK_LOOK)
    struck = verdict == "struck"
    last_us = _end_us(story)
    roomy_s = (last_us - _start_us(story)) / 1e6 * ROOMY
    figure.add_bar(
        name=verdict,
        orientation="h",
        base=[_iso(int(row.t0_us)) for row in rows],
        x=[_seconds(row, last_us) * 1000 for row in rows],
        y=[f"probe {row.probe}" for row in rows],
        text=[_label(row, _seconds(row, last_us) > roomy_s) for row in rows],
        textposition="inside",
        insidetextanchor="middle",
        textangle=0,
        constraintext="inside",
        customdata=[[int(row.id), hover_words(row)] for row in rows],
        hovertemplate="%{customdata[1]}<extra></extra>",
        marker={
            "color": "rgba(0,0,0,0)" if struck else colour,
            "line": {"color": colour if struck else EDGE, "width": 1.5},
            "pattern": {"shape": pattern, "fgcolor": colour if struck else SHADE, "size": 8, "solidity": 0.2},
        },
        textfont={"color": INK if struck else "#ffffff", "size": 12},
        width=0.8,
    )


def _add_silent(figure: go.Figure, placements: pd.DataFrame, story: Story) -> None:
    """Stays that were over before anything settled: faint and without words, but there."""
    rows = [row for row in rows_of(placements) if says_nothing(row)]
    if not rows:
        return
    figure.add_bar(
        name="over before it settled",
        orientation="h",
        base=[_iso(int(row.t0_us)) for row in rows],
        x=[_seconds(row, _end_us(story)) * 1000 for row in rows],
        y=[f"probe {row.probe}" for row in rows],
        customdata=[[int(row.id), hover_words(row)] for row in rows],
        hovertemplate="%{customdata[1]}<extra></extra>",
        marker={"color": FAINT, "line": {"width": 0}},
        width=0.3,
        showlegend=False,
    )


def _label(row: Any, roomy: bool) -> str:
    short_leg = f" {row.leg}" if 0 < len(row.leg) <= SHORT_LEG else ""
    second = "struck" if row.struck else "" if pd.isna(row.value) else value_words(row.value, row.quantity)
    return f"<b>{row.point or 'no point'}{short_leg}</b>{f'<br>{second}' if second and roomy else ''}"


def hover_words(row: Any) -> str:
    """What is said of a placement when the pointer rests on it."""
    lines = [f"<b>{place_words(row)}</b>", reads_words(row), verdict_of(row), row.mode, row.condition]
    if row.hypothesis:
        lines.append(f"testing: {row.hypothesis}")
    return "<br>".join(line for line in lines if line)


def _add_looked_at(figure: go.Figure, placements: pd.DataFrame, looked_at: int | None, story: Story) -> None:
    last_us = _end_us(story)
    for row in rows_of(placements[placements["id"] == looked_at]):
        figure.add_bar(
            orientation="h",
            base=[_iso(int(row.t0_us))],
            x=[_seconds(row, last_us) * 1000],
            y=[f"probe {row.probe}"],
            marker={"color": "rgba(0,0,0,0)", "line": {"color": INK, "width": 4}},
            width=0.94,
            hoverinfo="skip",
            showlegend=False,
        )


def _add_events(figure: go.Figure, story: Story, lane: str) -> None:
    events = story.events[~story.events["kind"].isin(["switch-on verdict", "capture"])]
    rows = [row for row in rows_of(events) if EVENT_LANES.get(row.kind, OTHER_EVENTS)[0] == lane]
    if not rows:
        return
    figure.add_scatter(
        name=lane,
        mode="markers",
        x=[_iso(int(row.t_us)) for row in rows],
        y=[lane] * len(rows),
        marker={
            "symbol": [EVENT_LANES.get(row.kind, OTHER_EVENTS)[1] for row in rows],
            "size": 12,
            "color": "#d55e00" if lane == "objections" else INK,
            "line": {"width": 2, "color": "#d55e00" if lane == "objections" else INK},
        },
        customdata=[[None, f"<b>{row.kind}</b><br>{_wrapped(row.text)}"] for row in rows],
        hovertemplate="%{x|%H:%M:%S}<br>%{customdata[1]}<extra></extra>",
        showlegend=False,
    )


def _add_verdicts(figure: go.Figure, story: Story, thumbnails: dict[int, Rows]) -> None:
    width_ms = max(20_000.0, (_end_us(story) - _start_us(story)) / 1000 * 0.075)
    for row in rows_of(story.switch_ons):
        at = _iso(int(row.t_us))
        alarm = row.verdict == "missing"
        figure.add_annotation(
            x=at,
            y=1,
            yref="paper",
            yanchor="bottom",
            xanchor="left",
            showarrow=False,
            align="left",
            text=f"{'▲ ' if alarm else ''}<b>{row.point}: {row.verdict}</b>",
            font={"size": 13, "color": "#d55e00" if alarm else INK},
        )
        rows = _rows_of_capture(thumbnails, row.capture)
        if rows:
            figure.add_layout_image(
                source=thumbnail(rows, _rows_of_capture(thumbnails, row.reference), "#d55e00" if alarm else "#0072b2"),
                x=at, y="switch-on", xref="x", yref="y", sizex=width_ms, sizey=0.95,
                xanchor="left", yanchor="middle", sizing="stretch", layer="above",
            )  # fmt: skip


def _start_us(story: Story) -> int:
    starts = [story.placements["t0_us"].min(), story.events["t_us"].min()]
    return min((int(start) for start in starts if not pd.isna(start)), default=0)


def _rows_of_capture(thumbnails: dict[int, Rows], number: Any) -> Rows:
    return [] if pd.isna(number) else thumbnails.get(int(number), [])


def thumbnail(rows: Rows, reference: Rows, colour: str) -> str:
    """A trace over its reference as an image address of its own (SVG in the address: nothing is fetched).

    Both on one scale: what is missing must look small beside what was expected.
    """
    both = rows + reference
    seconds = [row[0] or 0.0 for row in both]
    volts = [volt or 0.0 for row in both for volt in row[1:]]
    box = min(seconds), max(max(seconds) - min(seconds), 1e-9), (max(volts) + min(volts)) / 2, max(volts) - min(volts)
    behind = _stroke(reference, box, INK, " stroke-dasharray='4 2'") if reference else ""
    drawing = (
        "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 100 40' preserveAspectRatio='none'>"
        f"{behind}{_stroke(rows, box, colour, '')}</svg>"
    )
    return "data:image/svg+xml," + quote(drawing)


def _stroke(rows: Rows, box: tuple[float, float, float, float], colour: str, more: str) -> str:
    begin_s, length_s, middle_v, height_v = box
    dots = [
        f"{100 * ((second or 0.0) - begin_s) / length_s:.1f},"
        f"{20 - 36 * ((volt or 0.0) - middle_v) / max(height_v, 0.05):.1f}"
        for second, low, high in rows
        for volt in (high, low)
    ]
    return (
        f"<polyline points='{' '.join(dots)}' fill='none' stroke='{colour}' stroke-width='1.6' "
        f"vector-effect='non-scaling-stroke'{more}/>"
    )


def _lay_out(figure: go.Figure, lanes: list[str]) -> None:
    plain = {"showgrid": True, "gridcolor": "rgba(125,130,136,0.28)", "zeroline": False, "color": INK}
    figure.update_layout(
        barmode="overlay",
        uniformtext={"mode": "hide", "minsize": 10},
        height=110 + 60 * len(lanes),
        margin={"l": 92, "r": 12, "t": 40, "b": 36},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        font={"family": "system-ui, Segoe UI, Liberation Sans, sans-serif", "size": 13, "color": INK},
        legend={"orientation": "h", "y": -0.09, "yanchor": "top", "x": 0},
        xaxis={**plain, "type": "date", "tickformat": "%H:%M:%S", "fixedrange": False},
        yaxis={**plain, "type": "category", "categoryorder": "array", "categoryarray": lanes[::-1],
               "range": [-0.6, len(lanes) - 0.4], "fixedrange": True},
        uirevision="timeline",
        dragmode="pan",
        hoverlabel={"align": "left"},
        clickmode="event",
    )  # fmt: skip


def _iso(t_us: int) -> str:
    return local(t_us).replace(tzinfo=None).isoformat()


def _wrapped(text: str, width: int = 60) -> str:
    lines, line = [], ""
    for word in text.split():
        if len(line) + len(word) >= width:
            lines.append(line)
            line = ""
        line = f"{line} {word}".strip()
    return "<br>".join([*lines, line])
