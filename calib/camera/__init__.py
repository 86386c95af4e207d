"""Film millimetres <-> ray <-> ground: interior and exterior orientation, the Sun, resection."""
