"""Stage 6: from air to energy: rotors, yield, bounds and claims."""
