"""Ways to find instruments: a broadcast, announced services, and what tells one kind from another."""
