"""One file per command: it parses, calls calib.run, prints; it computes nothing."""
