"""A drawing as the TOML file that a person would write: only what is said, in the order of the file's description."""

import json
from collections.abc import Mapping
from typing import Any

from daemon.drawing import Drawing
from daemon.letter_code import letter_code

IN_LETTER_CODE = ("resistor", "capacitor", "inductor")


def drawing_toml(drawing: Drawing) -> str:
    """TOML text that ``parse_drawing`` reads as the same drawing."""
    content = json.loads(drawing.to_json())
    lines = ["[drawing]", *_keys(content["drawing"])]
    for point in content["point"]:
        lines += ["", "[[point]]", *_keys({key: each for key, each in point.items() if not _is_usual(key, each)})]
    for part in content["part"]:
        if part["kind"] in IN_LETTER_CODE and part.get("value"):
            part["value"] = letter_code(part["value"])
        lines += ["", "[[part]]", *_keys({key: each for key, each in part.items() if not _is_usual(key, each)})]
    return "\n".join(lines) + "\n"


def _is_usual(key: str, said: Any) -> bool:
    return said in ([], {}, None) or (key, said) in (
        ("access", "easy"), ("weight", 1.0), ("source_ohm", 0.0), ("relay_delay_s", 0.0), ("inner_ohm", 0.0),
        ("dc_ohm", 0.0),
    )  # fmt: skip


def _keys(table: Mapping[str, Any]) -> list[str]:
    return [f"{key} = {_toml(each)}" for key, each in table.items()]


def _toml(said: Any) -> str:
    if isinstance(said, bool):
        return "true" if said else "false"
    if isinstance(said, str):
        return json.dumps(said, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(said, list):
        return f"[{', '.join(map(_toml, said))}]"
    if isinstance(said, dict):
        return f"{{ {', '.join(f'{_toml(key)} = {_toml(each)}' for key, each in said.items())} }}"
    return repr(said)
