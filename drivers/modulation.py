"""AM and FM of a generator that speaks SCPI, as far as it understands them."""

from drivers import scpi
from drivers.ceiling import check_modulation
from drivers.conversation import Conversation
from drivers.errors import InstrumentRefused
from drivers.readings import Quantity, Reading

# SCPI-99 vol. 2, 19: SOURce:AM[:DEPTh], SOURce:FM[:DEViation], their STATe and SOURce.
NODES = {"am": ("AM", "DEPT", Quantity.AM_DEPTH), "fm": ("FM", "DEV", Quantity.FM_DEVIATION)}
TOLERANCE = 0.01  # what reading back may differ by, part of the amount


class ScpiModulation:
    """What the generator does not understand is not asked again, and cannot be set."""

    def __init__(self, conversation: Conversation) -> None:
        self._conversation = conversation
        self._sources: dict[str, str] = {}
        self.kinds = tuple(kind for kind in NODES if self._is_understood(kind))
        self._says_source = {kind for kind in self.kinds if self._source(kind, is_known=False) is not None}

    def read(self) -> tuple[Reading, ...]:
        """Depth (%) and deviation (Hz) that are in force: 0 where the modulation is off."""
        return tuple(self._read(kind) for kind in self.kinds)

    def set(self, kind: str, amount: float, source: str) -> None:
        """See ``Generator.set_modulation``; raises ``InstrumentRefused`` where reading back does not agree."""
        check_modulation(kind, amount, source)
        if kind != "none" and kind not in self.kinds:
            raise InstrumentRefused(f"it understands no {kind}: it is left as it was.")
        for other in self.kinds:
            if other != kind:
                self._conversation.tell(f"{NODES[other][0]}:STAT OFF")
        if kind != "none":
            node, amount_node, _ = NODES[kind]
            self._conversation.tell(f"{node}:{amount_node} {scpi.format_number(amount)}")
            if kind in self._says_source:
                self._conversation.tell(f"{node}:SOUR {source[:3].upper()}")
            self._conversation.tell(f"{node}:STAT ON")
        self._compare(kind, amount, source)

    def _compare(self, kind: str, amount: float, source: str) -> None:
        for each in self.kinds:
            wanted = amount if each == kind else 0.0
            if abs(self._read(each).value - wanted) > TOLERANCE * max(wanted, 1e-9):
                raise InstrumentRefused(f"it did not take what it was told ({each}): read its own display.")
        if kind in self._says_source and self._source(kind) != source[:3].upper():
            raise InstrumentRefused(f"it did not take what it was told ({kind} source): read its own display.")

    def _read(self, kind: str) -> Reading:
        node, amount_node, quantity = NODES[kind]
        state = self._conversation.ask(f"{node}:STAT?", scpi.read_boolean)
        amount = self._conversation.ask(f"{node}:{amount_node}?", scpi.read_finite)
        if kind in self._says_source and state.value:
            self._remark_source(kind)
        value = amount.value if state.value else 0.0
        return Reading(amount.t_us, value, quantity, half_width_us=amount.half_width_us)

    def _remark_source(self, kind: str) -> None:
        source = self._source(kind) or ""
        if self._sources.get(kind) != source:
            self._sources[kind] = source
            word = {"INT": "internal", "EXT": "external"}.get(source, source)
            self._conversation.remark(f"its {kind} comes from its {word} source")

    def _source(self, kind: str, is_known: bool = True) -> str | None:
        query = f"{NODES[kind][0]}:SOUR?"
        if is_known:
            return self._conversation.ask(query, scpi.last_word).value.upper()[:3]
        answer = self._conversation.try_ask(query, scpi.last_word)
        return None if answer is None else answer.value

    def _is_understood(self, kind: str) -> bool:
        node, amount_node, _ = NODES[kind]
        return (
            self._conversation.try_ask(f"{node}:STAT?", scpi.read_boolean) is not None
            and self._conversation.try_ask(f"{node}:{amount_node}?", scpi.read_finite) is not None
        )
