"""Where is everything? The Earth's orientation, stars, Sun and Moon in local axes."""
