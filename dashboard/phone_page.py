"""The page for a phone beside the board: an empty place that ``assets/phone.js`` fills from the live feed."""

from dash import html


def layout() -> html.Div:
    """The page's skeleton."""
    return html.Div([html.H1("Phone", className="unseen"), html.Div(id="phone", className="phone")])
