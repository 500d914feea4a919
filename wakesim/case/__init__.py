"""Stage 1: from a case file to validated immutable objects, and the vehicle catalogue."""
