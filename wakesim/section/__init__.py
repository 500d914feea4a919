"""The balance of momentum and turbulence over the road's cross-section: wake, drift and road."""
