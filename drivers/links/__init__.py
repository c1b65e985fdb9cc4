"""Links: bytes to an instrument and back. The link is chosen from the VISA resource name."""
