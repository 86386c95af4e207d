"""(line, sample) <-> film millimetres: finding marks, fitting the sweep, ties in the overlaps."""
