"""When could we, with what, why not, and what would help?"""
