"""The one simulated unit: what it does, what each probe sees of it, and the door to both."""
