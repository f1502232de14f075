"""What are the fringes worth? Source models and the coverage of the (u, v) plane."""
