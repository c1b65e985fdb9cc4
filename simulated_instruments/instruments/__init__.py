"""The five instruments of the bench: what each says over its language, asked of the one unit."""
