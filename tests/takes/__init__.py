"""Takes: recorded, written out, scored and shown."""
