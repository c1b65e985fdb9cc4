"""The bench file (TOML): which instruments there are, what each is for, and which unit is on the bench.

``parse_bench`` does no I/O and finds every mistake at once, one line each: file, table, key, cure.
"""

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drivers.ceiling import CEILING_DBM
from drivers.errors import BenchFileError, ResourceNameError
from drivers.protocols import NO_ACCURACY, InstrumentSpec
from drivers.readings import Accuracy
from drivers.registry import OPTIONS, option_mistakes
from drivers.resource_names import parse_resource

KINDS = ("meter", "scope", "generator", "supply")
LINKS = ("tcp", "serial", "vxi11", "hislip", "visa")
ROLES = ("supply current", "supply output")
PREPARED = ("roll", "single")
POLL_S = {"meter": 0.2, "scope": 1.0, "generator": 5.0, "supply": 0.2}

INSTRUMENT_KEYS = {
    "name": "what you call it; names its series",
    "kind": "meter, scope, generator or supply",
    "resource": "its VISA resource name",
    "poll_s": "seconds between two polls",
    "probe": "name of the probe this input is; a list of names, one a channel, for a scope",
    "role": '"supply current" or "supply output": its amperes or its output tell when the unit goes on and off',
    "link": "tcp, serial, vxi11, hislip or visa: forces the way to it, instead of the one its resource name implies",
    "timeout_s": "how long it may stay silent before it counts as lost",
    "accuracy": "{ percent_reading, percent_range } from its data sheet",
    "watch_switch_on": "true: this scope may be stopped for a moment after each switch-on to keep its record",
    "prepare_switch_on": '"roll" or "single": what this scope may be set to while the unit is off, and back afterwards',
    "power_channel": "number of the scope's channel that carries the supply's current or a rail",
    "switch_on_a": "amperes above which the unit counts as on",
}
UNIT_KEYS = {
    "name": "what is being repaired",
    "serial": "its serial number",
    "protection": "earthed or double-insulated",
    "rated_mains_v": "the mains volts on its label",
    "drawing": "path of its drawing file, from the bench file's folder",
}
REFERENCE_KEYS = {
    "point": "the point it was taken at",
    "mode": "the mode it was taken in",
    "file": "waveform file (t_s, volts), from the bench file's folder",
    "on_s": "the moment of switch-on on its time axis, seconds",
}


@dataclass(frozen=True, slots=True)
class Setup:
    """One instrument and what it is there for."""

    spec: InstrumentSpec
    poll_s: float
    probes: tuple[str, ...] = ()
    role: str = ""
    watch_switch_on: bool = False
    prepare_switch_on: str = ""
    power_channel: str = ""
    switch_on_a: float = 0.01


@dataclass(frozen=True, slots=True)
class UnitCard:
    """The unit on the bench as far as it is known; empty where it is not."""

    unit: str = ""
    serial: str = ""
    protection: str = ""
    rated_mains_v: float | None = None
    drawing: Path | None = None


@dataclass(frozen=True, slots=True)
class ReferenceFile:
    """A healthy switch-on capture of an earlier unit of this model."""

    point: str
    mode: str
    file: Path
    on_s: float


@dataclass(frozen=True, slots=True)
class Bench:
    """A whole bench file."""

    setups: tuple[Setup, ...]
    unit: UnitCard = UnitCard()
    references: tuple[ReferenceFile, ...] = ()


def read_bench(path: Path) -> Bench:
    """Read and check a bench file. Raises ``BenchFileError``."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise BenchFileError([f"{path}: cannot be read as text ({error})."]) from error
    return parse_bench(text, path.name, path.parent)


def parse_bench(text: str, file_name: str, folder: Path) -> Bench:
    """The bench of a file's text; paths in it count from ``folder``. Raises ``BenchFileError``."""
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BenchFileError([f"{file_name}: not TOML: {error}."]) from error
    mistakes: list[str] = []
    for key in content.keys() - {"instrument", "unit", "reference"}:
        mistakes.append(f"{file_name}: {key}: not known here; there are [[instrument]], [unit] and [[reference]].")
    setups = [
        _setup(_Table(f"{file_name}: [[instrument]] {number} ({_named(table)})", table, mistakes), folder)
        for number, table in enumerate(_tables(content, "instrument", file_name, mistakes), start=1)
    ]
    if not setups and not mistakes:
        mistakes.append(f"{file_name}: no [[instrument]] table: add one for each instrument.")
    mistakes += _clashes(setups, file_name)
    unit_table = content.get("unit", {})
    if not isinstance(unit_table, dict):
        mistakes.append(f"{file_name}: unit: must be one table [unit].")
        unit_table = {}
    unit = _unit(_Table(f"{file_name}: [unit]", unit_table, mistakes), folder)
    references = [
        _reference(_Table(f"{file_name}: [[reference]] {number}", table, mistakes), folder)
        for number, table in enumerate(_tables(content, "reference", file_name, mistakes), start=1)
    ]
    if mistakes:
        raise BenchFileError(mistakes)
    return Bench(tuple(setups), unit, tuple(references))


def _tables(content: Mapping[str, Any], key: str, file_name: str, mistakes: list[str]) -> list[dict[str, Any]]:
    found = content.get(key, [])
    if isinstance(found, list) and all(isinstance(table, dict) for table in found):
        return found
    mistakes.append(f"{file_name}: {key}: must be tables headed [[{key}]].")
    return []


def _named(table: Mapping[str, Any]) -> str:
    return f'"{table.get("name", "no name")}"'


class _Table:
    """One table with its place in the file; wrong values become mistakes and defaults."""

    def __init__(self, place: str, table: Mapping[str, Any], mistakes: list[str]) -> None:
        self._place = place
        self._table = table
        self._mistakes = mistakes

    def keys(self) -> set[str]:
        return set(self._table)

    def fault(self, key: str, sentence: str) -> None:
        self._mistakes.append(f"{self._place}: {key}: {sentence}")

    def refuse_unknown(self, known: Mapping[str, object]) -> None:
        for key in sorted(self.keys() - known.keys()):
            self.fault(key, f"not known here; known are {', '.join(sorted(known))}.")

    def text(self, key: str, *, needed: bool = False, choices: tuple[str, ...] = ()) -> str:
        value = self._table.get(key)
        if value is None:
            if needed:
                self.fault(key, "is missing" + (f": one of {', '.join(choices)}." if choices else "."))
            return ""
        if not isinstance(value, str) or not value.strip():
            self.fault(key, f"must be text in quotes, not {value!r}.")
            return ""
        if choices and value not in choices:
            self.fault(key, f"must be one of {', '.join(choices)}, not {value!r}.")
            return ""
        return value.strip()

    def number(self, key: str, default: float, accept: Callable[[float], bool], wanted: str) -> float:
        value = self._table.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float) or not accept(value):
            self.fault(key, f"must be {wanted}, not {value!r}.")
            return default
        return float(value)

    def flag(self, key: str) -> bool:
        value = self._table.get(key, False)
        if not isinstance(value, bool):
            self.fault(key, f"must be true or false, not {value!r}.")
            return False
        return value

    def raw(self, key: str) -> Any:
        return self._table.get(key)


def _setup(table: _Table, folder: Path) -> Setup:
    kind = table.text("kind", needed=True, choices=KINDS)
    options = OPTIONS.get(kind, {})
    if kind:
        table.refuse_unknown(INSTRUMENT_KEYS | dict(options))
    prepare = table.text("prepare_switch_on", choices=PREPARED)
    if prepare and kind and kind != "scope":
        table.fault("prepare_switch_on", f"is for a scope, not for a {kind}.")
    spec = InstrumentSpec(
        name=table.text("name", needed=True),
        kind=kind,
        resource=_resource(table),
        link=table.text("link", choices=LINKS) or None,
        timeout_s=table.number("timeout_s", 1.0, lambda value: 0.05 <= value <= 60, "0.05 to 60 seconds"),
        accuracy=_accuracy(table),
        options=_options(table, kind, folder),
    )
    return Setup(
        spec=spec,
        poll_s=table.number("poll_s", POLL_S.get(kind, 1.0), lambda value: 0.005 <= value <= 3600, "0.005 to 3600 s"),
        probes=_probes(table, kind),
        role=table.text("role", choices=ROLES),
        watch_switch_on=table.flag("watch_switch_on") or bool(prepare),
        prepare_switch_on=prepare,
        power_channel=_power_channel(table, kind),
        switch_on_a=table.number("switch_on_a", 0.01, lambda value: 0 < value < 100, "amperes above 0"),
    )


def _power_channel(table: _Table, kind: str) -> str:
    number = table.number("power_channel", 0, lambda value: value in range(9), "the number of a channel, 1 to 8")
    if number and kind and kind != "scope":
        table.fault("power_channel", f"is for a scope, not for a {kind}.")
    return str(round(number)) if number else ""


def _resource(table: _Table) -> str:
    resource = table.text("resource", needed=True)
    if resource:
        try:
            parse_resource(resource)
        except ResourceNameError as error:
            table.fault("resource", str(error))
    return resource


def raised_ceiling(spec: InstrumentSpec) -> str:
    """That a generator's ceiling was raised, and why, for the time line; empty where it was not."""
    ceiling_dbm = spec.options.get("ceiling_dbm", CEILING_DBM)
    if spec.kind != "generator" or ceiling_dbm <= CEILING_DBM:
        return ""
    return f"its ceiling is {ceiling_dbm:g} dBm by the bench file: {spec.options.get('ceiling_because', '')}"


def _accuracy(table: _Table) -> Accuracy:
    given = table.raw("accuracy")
    if given is None:
        return NO_ACCURACY
    keys = ("percent_reading", "percent_range")
    if not isinstance(given, dict) or set(given) - set(keys):
        table.fault("accuracy", "must be { percent_reading = ..., percent_range = ... }.")
        return NO_ACCURACY
    values = [given.get(key, 0.0) for key in keys]
    if any(isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 100 for value in values):
        table.fault("accuracy", "its values must be per cents from 0 to 100.")
        return NO_ACCURACY
    return Accuracy(*map(float, values))


def _options(table: _Table, kind: str, folder: Path) -> dict[str, Any]:
    result: dict[str, Any] = {}
    for key, option in OPTIONS.get(kind, {}).items():
        value = table.raw(key)
        if value is None:
            continue
        fits_float = option.type is float and isinstance(value, int) and not isinstance(value, bool)
        if not (isinstance(value, option.type) or fits_float) or (option.type is int and isinstance(value, bool)):
            table.fault(key, f"must be {option.type.__name__}, not {value!r}: {option.meaning}.")
            continue
        result[key] = float(value) if fits_float else value
    if str(result.get("dialect", "")).endswith(".toml"):
        result["dialect"] = str(folder / result["dialect"])
    for key, sentence in option_mistakes(kind, result):
        table.fault(key, sentence)
    return result


def _probes(table: _Table, kind: str) -> tuple[str, ...]:
    given = table.raw("probe")
    names = [given] if isinstance(given, str) else given
    if given is None:
        if kind == "meter" and table.raw("role") is None:
            table.fault("probe", 'is missing: name the probe this input is, or give a role = "supply current".')
        return ()
    if not isinstance(names, list) or not names or not all(isinstance(name, str) and name.strip() for name in names):
        table.fault("probe", "must be a name in quotes, or a list of names, one a channel.")
        return ()
    if len(names) > 1 and kind != "scope":
        table.fault("probe", "only a scope has several probes.")
        return ()
    return tuple(name.strip() for name in names)


def _clashes(setups: list[Setup], file_name: str) -> list[str]:
    names = [setup.spec.name for setup in setups if setup.spec.name]
    probes = [probe for setup in setups for probe in setup.probes]
    twice = [f"{file_name}: name {name!r} stands twice: every instrument needs its own." for name in _repeated(names)]
    twice += [f"{file_name}: probe {probe!r} stands twice: every probe needs its own." for probe in _repeated(probes)]
    if sum(bool(setup.role) for setup in setups) > 1:
        twice.append(f"{file_name}: role: stands at two instruments: one of them tells when the unit is on.")
    return twice


def _repeated(names: list[str]) -> list[str]:
    return sorted({name for name in names if names.count(name) > 1})


def _unit(table: _Table, folder: Path) -> UnitCard:
    table.refuse_unknown(UNIT_KEYS)
    rated_v = table.number("rated_mains_v", 0.0, lambda value: 0 <= value < 1000, "volts") or None
    return UnitCard(
        unit=table.text("name"),
        serial=table.text("serial"),
        protection=table.text("protection", choices=("earthed", "double-insulated")),
        rated_mains_v=rated_v,
        drawing=_file(table, "drawing", folder),
    )


def _reference(table: _Table, folder: Path) -> ReferenceFile:
    table.refuse_unknown(REFERENCE_KEYS)
    return ReferenceFile(
        point=table.text("point", needed=True),
        mode=table.text("mode"),
        file=_file(table, "file", folder, needed=True) or folder,
        on_s=table.number("on_s", 0.0, lambda value: abs(value) < 1e6, "seconds"),
    )


def _file(table: _Table, key: str, folder: Path, *, needed: bool = False) -> Path | None:
    name = table.text(key, needed=needed)
    if not name:
        return None
    path = folder / name
    if not path.is_file():
        table.fault(key, f"there is no file {path}.")
    return path
