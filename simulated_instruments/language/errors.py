"""What the language objects to, with the numbers of SCPI-99 vol. 2, 21.8 (from memory)."""

TEXTS = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -131: "Invalid suffix",
    -151: "Invalid string data",
    -161: "Invalid block data",
    -171: "Invalid expression",
    -200: "Execution error",
    -203: "Command protected",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -241: "Hardware missing",
    -310: "System error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
}

# Event status register bits (IEEE 488.2, 11.5.1): which bit a class of errors sets.
_CLASSES = ((-199, -100, 5), (-299, -200, 4), (-399, -300, 3), (-499, -400, 2))


class LanguageError(Exception):
    """A program message that cannot be carried out; ``code`` is the SCPI number."""

    def __init__(self, code: int, detail: str = "") -> None:
        self.code = code
        self.text = TEXTS[code] + (f";{detail}" if detail else "")
        super().__init__(f"{code}, {self.text}")

    @property
    def ends_the_message(self) -> bool:
        """True for command errors: what follows in the message is not parsed any more."""
        return -199 <= self.code <= -100


def event_bit(code: int) -> int:
    """The event status bit number of an error code; 3 (device dependent) for positive codes."""
    return next((bit for low, high, bit in _CLASSES if low <= code <= high), 3)
