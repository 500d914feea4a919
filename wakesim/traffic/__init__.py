"""The stream of vehicles in each lane and what it does to the air at a mount."""
