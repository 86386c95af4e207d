"""Conversion between film places and rays: interior and exterior orientation, shutter motion, and space resection."""
