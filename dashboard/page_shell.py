"""What every page stands in: masthead, warnings that belong everywhere, and the foot of the page."""

from dash import dcc, html

INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{%title%}</title>
<link rel="icon" href="/assets/mark.svg" type="image/svg+xml">
{%css%}
<script src="/assets/early.js"></script>
<script type="module" src="/assets/main.js"></script>
</head>
<body>
<a class="skip" href="#content">Skip to the page</a>
{%app_entry%}
<footer class="machinery">{%config%}{%scripts%}{%renderer%}</footer>
</body>
</html>"""

ALWAYS = (
    "The program does not know whether the point is safe. "
    "Believe the meter only after trying it on a known voltage, before and after."
)
LICENSED = "Local rules may require a licensed person for this work; they come before anything said here."


def shell() -> html.Div:
    """Masthead, the page itself, and the caution that is always shown."""
    return html.Div(
        className="page",
        children=[
            html.Header(className="masthead", children=[_name(), _pages(), html.Div(id="masthead-live")]),
            html.Div(id="alarms", className="alarms"),
            dcc.Location(id="address", refresh=False),
            html.Main(id="content"),
            html.Footer(className="foot", children=[html.P(ALWAYS, id="always-caution"), html.P(LICENSED)]),
        ],
    )


def _name() -> html.A:
    return html.A("probetrail", href="/", className="wordmark")


def _pages() -> html.Nav:
    names = ("Timeline", "Sessions", "Drawing", "Phone")
    pages = (("Bench", "/"), *((name, f"/{name.casefold()}") for name in names))
    # "aria-label" is no Python name, hence the mapping.
    return html.Nav([html.A(name, href=path) for name, path in pages], **{"aria-label": "Pages"})
