"""Strips + tone + sweep -> values at places on the film: the one interpolation, and the assembled frame."""
