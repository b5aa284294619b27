"""Labels: where they lie on a sheet or roll, and what stands where on one. Millimetres."""
