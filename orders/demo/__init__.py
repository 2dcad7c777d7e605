"""A small harbour workshop with drawings and orders of our own, to try Holdfast on."""
