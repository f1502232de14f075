"""Which telescopes to combine, and on which stations?"""
