"""What to take off a donor, and in which order, when parts share the work of getting at them."""
