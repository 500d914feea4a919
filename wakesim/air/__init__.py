"""The air between the vehicles: density, ambient wind profile and turbulence series."""
