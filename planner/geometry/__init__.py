"""What of the array? Stations and baselines, u v w, and the delay equation."""
