"""Web pages, records and command line around the measurement."""
