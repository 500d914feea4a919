"""Stage 2: the frozen velocity field of one vehicle, per unit air-relative speed."""
