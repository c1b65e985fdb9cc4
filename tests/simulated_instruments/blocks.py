"""An instrument that answers a block of any size."""

import numpy as np

from simulated_instruments.language.headers import command
from simulated_instruments.language.speaker import Speaker

# ---- pyvisa-py, unmodified


class Blocks(Speaker):
    """Answers a block of any size."""

    @command("BLOCk?")
    def _block(self, call):
        return self._big()

    @command(":BLOCk?")
    def _rooted(self, call):
        return self._big()

    def _big(self):
        payload = np.arange(700_000, dtype="<i4").tobytes()
        return b"#7%07d" % len(payload) + payload
