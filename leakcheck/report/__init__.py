"""A check becomes something to read: terminal text, JSON, CSV, pictures."""
