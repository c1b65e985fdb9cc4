"""The bench file of a simulated bench: TOML text from what is running."""

from collections.abc import Mapping

from simulated_instruments.bench.roster import ROSTER
from simulated_instruments.unit.scenario import Scenario


def bench_toml(scenario: Scenario, resources: Mapping[str, str]) -> str:
    """A complete bench file: every instrument at its resource, the unit, and its healthy reference."""
    unit = {
        "name": scenario.unit,
        "serial": scenario.serial,
        "protection": scenario.protection,
        "rated_mains_v": scenario.rated_mains_v,
        "drawing": str(scenario.drawing),
    }
    reference = {"point": scenario.scope_point, "mode": scenario.scope_mode, "file": str(scenario.reference)}
    tables = [
        _table("[[instrument]]", {"name": name, "resource": resources[name], **entry.table})
        for name, entry in ROSTER.items()
    ]
    return "\n".join([*tables, _table("[unit]", unit), _table("[[reference]]", reference)])


def _table(header: str, keys: Mapping[str, object]) -> str:
    return "\n".join([header, *(f"{key} = {_value(value)}" for key, value in keys.items()), ""])


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return repr(value)
