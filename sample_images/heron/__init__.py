"""The harbour ferry "Heron", 1:72, on a builder's bench: shapes, light and camera of the samples.

Millimetres. The ship's x runs from bow (negative) to stern, port is at negative y, z up from her
keel's bench. The ship, the kit and the bench are invented.
"""
