"""One session being kept: tags, judgements and events. One thread owns everything here."""
