"""A whole bench as processes: what stands on it, starting it, ending it, and its bench file."""
