"""Pure judgements: settled?, inside?, contradiction?, ripple, switch-on. No I/O, no clock."""
