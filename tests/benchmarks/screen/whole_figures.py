"""What is compared with: a small page that asks every 200 ms for both figures whole.

The same readings and traces, in the form that is cheapest for it (arrays as they lie in memory, one server of the
same make, nothing else in the process). It prints its address as a line of JSON and ends when its standard input does.
"""

import json
import socket
import sys
import threading
import time

import numpy as np
import plotly.graph_objects as go
import uvicorn
from dash import Dash, Input, Output, dcc, html

from tests.benchmarks.quick_instrument import announce
from tests.benchmarks.screen.busy_bench import BEFORE, METER_S, SCOPE_S, TRACE_DT_S, TRACE_POINTS

SERIES = 4
INTERVAL_MS = 200
HEIGHT_TREND, HEIGHT_SCOPE = 318, 230  # pixels: as on the page that it is compared with


class Readings:
    """The last 10,000 readings of four series and the last trace, made at the same rates."""

    def __init__(self):
        now_s = time.time()
        self.t_s = now_s - np.arange(BEFORE, 0, -1) * METER_S
        self.values = np.random.default_rng(7).normal(5, 0.01, (SERIES, BEFORE))
        self.trace_us, self.volts = 0, np.zeros(TRACE_POINTS)

    def go_on(self):
        """For ever: a reading of each series every 20 ms, a trace every 200 ms."""
        chance, due_s, count = np.random.default_rng(8), time.monotonic(), 0
        while True:
            due_s += METER_S
            time.sleep(max(0.0, due_s - time.monotonic()))
            self.t_s = np.append(self.t_s[1:], time.time())
            self.values = np.hstack([self.values[:, 1:], chance.normal(5, 0.01, (SERIES, 1))])
            count += 1
            if count % round(SCOPE_S / METER_S) == 0:
                n = np.arange(TRACE_POINTS)
                self.volts = 0.9 * np.sin(2 * np.pi * n / 2500) + chance.normal(0, 0.03, TRACE_POINTS)
                self.trace_us = round(time.time() * 1e6)


def trend(readings):
    """Four curves, one under the other."""
    t_s, values = readings.t_s, readings.values
    curves = [go.Scatter(x=t_s, y=values[n], mode="lines", yaxis=f"y{n + 1}") for n in range(SERIES)]
    axes = {f"yaxis{n + 1}": {"domain": [1 - (n + 1) / SERIES, 1 - (n + 0.1) / SERIES]} for n in range(SERIES)}
    layout = {"height": HEIGHT_TREND, "uirevision": 1, "meta": round(float(t_s[-1]) * 1e6), "showlegend": False}
    return go.Figure(curves, {**layout, **axes, "margin": dict.fromkeys("ltrb", 30)})


def scope(readings):
    """One curve."""
    t_us, volts = readings.trace_us, readings.volts
    layout = {"height": HEIGHT_SCOPE, "uirevision": 1, "meta": t_us, "margin": dict.fromkeys("ltrb", 30)}
    return go.Figure([go.Scatter(x=np.arange(TRACE_POINTS) * TRACE_DT_S, y=volts, mode="lines")], layout)


def make_app(readings):
    """The page."""
    app = Dash(__name__, backend="fastapi", update_title=None)
    graphs = [dcc.Graph(id=name) for name in ("trend", "scope")]
    app.layout = html.Div([*graphs, dcc.Interval(id="tick", interval=INTERVAL_MS)], style={"width": 850})
    app.callback(Output("trend", "figure"), Output("scope", "figure"), Input("tick", "n_intervals"))(
        lambda _: (trend(readings), scope(readings))
    )
    return app


def main():
    readings = Readings()
    threading.Thread(target=readings.go_on, daemon=True).start()
    with socket.create_server(("127.0.0.1", 0)) as listening:
        server = uvicorn.Server(uvicorn.Config(make_app(readings).server, log_level="warning"))
        threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True).start()
        announce(json.dumps({"address": f"http://127.0.0.1:{listening.getsockname()[1]}/"}))
        sys.stdin.read()
        server.should_exit = True


if __name__ == "__main__":
    main()
