"""The page to enter a drawing: an empty place that ``assets/drawing.js`` fills."""

from dash import html


def layout() -> html.Div:
    """The page's skeleton."""
    return html.Div(
        className="review",
        children=[
            html.H1("Drawing"),
            html.P(
                "What is printed: points, legs, volts per mode. Paste a table, or type; it is checked as you go,"
                " and kept for its model.",
                className="empty",
            ),
            html.Div(id="drawing", className="drawing"),
        ],
    )
