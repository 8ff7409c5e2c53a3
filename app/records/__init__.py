"""What is remembered: models, migrations, and the functions that read and write them.

Pages and jobs use the functions of this package and the frozen dataclasses they return, never the models.
Every function that touches a practice's data takes ``practice_id`` and finds nothing of another practice.
"""
