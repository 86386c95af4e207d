"""The demo: an invented frame is photographed, calibrated, and compared with what was put in."""
