"""The bench page: empty places that the scripts in ``assets/`` fill from the live feed."""

from dash import html

# Place, heading in the margin. The scripts look these up by their id.
_LEFT = (
    ("walk", "Next"),
    ("readouts", "Reading"),
    ("trend", "Trend"),
    ("scope", "Scope"),
    ("kicks", "Switch-on"),
    ("circuit", "Drawing"),
)
# Stays in sight while the rest of the page is scrolled.
_HELD = (
    ("cautions", "Cautions"),
    ("marks", "Mark"),
)
_RIGHT = (
    ("suspects", "Suspects"),
    ("hypotheses", "Hypotheses"),
    ("objections", "Objections"),
    ("instruments", "Instruments"),
    ("pairing", "Phone"),
)


def layout() -> html.Div:
    """The page's skeleton; a heading and one empty place for each part of it."""
    return html.Div(
        id="bench",
        className="bench",
        children=[
            html.H1("Bench", className="unseen"),
            html.Div([_part(*part) for part in _LEFT], className="bench-main"),
            html.Div(
                [html.Div([_part(*part) for part in _HELD], className="held"), *(_part(*part) for part in _RIGHT)],
                className="bench-side",
            ),
        ],
    )


def _part(place: str, heading: str) -> html.Section:
    return html.Section(
        className=f"part part-{place}",
        **{"aria-labelledby": f"{place}-heading"},
        children=[html.H2(heading, id=f"{place}-heading"), html.Div(id=place, className="part-body")],
    )
