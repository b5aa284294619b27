"""Load: the scaled-out or the embedded service on loopback under mixed use. `make load`."""
