"""Price sheets and quotes. Imports neither `orders` nor `geometry`."""
