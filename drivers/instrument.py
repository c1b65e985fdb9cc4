"""What every driver in here shares: a conversation, an identity, a way back to the front panel."""

from drivers.conversation import Conversation
from drivers.errors import WrongInstrument
from drivers.protocols import InstrumentSpec
from drivers.readings import Identity

LOCAL = "SYST:LOC"  # common practice on RS-232 and raw TCP; GPIB and VXI-11 have go-to-local instead


class ScpiInstrument:
    """Base of the SCPI drivers; ``conversation`` is open already."""

    def __init__(self, conversation: Conversation) -> None:
        self._conversation = conversation
        self._knows_local = self._try_local()

    @property
    def identity(self) -> Identity:
        """Who answered ``*IDN?``."""
        return self._conversation.identity

    @property
    def abilities(self) -> tuple[str, ...]:
        """What was learnt of it since the opening, in words for a check of the bench."""
        return ()

    @property
    def gives_panel_back(self) -> bool:
        """Whether ``to_local`` does anything."""
        return self._knows_local

    def to_local(self) -> None:
        """Give the front panel back where the instrument took ``SYST:LOC`` without objecting at the opening."""
        if self._knows_local:
            self._conversation.tell_unchecked(LOCAL)

    def close(self) -> None:
        """Let go; safe to call twice, never raises."""
        self._conversation.close()

    def let_go(self) -> None:
        """Let go and leave all as it is: unlike ``close``, a source that is on stays on. Never raises."""
        self._conversation.close()

    def _try_local(self) -> bool:
        # Without an error queue nobody can tell whether it was understood, and an instrument that does
        # not know the word beeps or shows an error at each poll: then the panel is left as it is.
        return self._conversation.has_error_queue and self._conversation.takes(LOCAL)


def check_known(spec: InstrumentSpec, who: Identity) -> None:
    """Raises ``WrongInstrument`` where another answers than ``spec.known``."""
    if spec.known is not None and not spec.known.same_instrument(who):
        raise WrongInstrument(
            f"{who} answers at {spec.resource} where {spec.known} did before: its readings are not kept under "
            "the same name. Restart the daemon if it was exchanged on purpose."
        )
