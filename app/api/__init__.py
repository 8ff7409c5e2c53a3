"""The data for other programs: JSON, FHIR, CSV, archive."""
