"""Measures trunk rotation in the heel-sit kneeling position from photos."""
