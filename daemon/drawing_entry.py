"""Whatever a drawing is entered as, TOML, CSV or a pasted table, to its sheet. Pure."""

from daemon.drawing import parse_drawing
from daemon.drawing_sheet import Sheet, sheet_of
from daemon.drawing_table import sheet_from_table


def sheet_from_text(text: str, name: str) -> Sheet:
    """The sheet of a text. Raises ``DrawingError`` for TOML with mistakes; those of a table stand in the sheet."""
    if name.endswith(".toml") or any(line.strip() == "[drawing]" for line in text.splitlines()):
        return sheet_of(parse_drawing(text, name))
    return sheet_from_table(text)
