"""What a practitioner knows and says around the measurement: safety, set-up, drills, wording.

Pure content and logic: no web, no database, no clock. Every statement carries its source.
"""
