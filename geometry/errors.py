"""Every error that geometry raises on purpose.

GeometryError
 |- UnreadableError      a drawing that cannot be read or measured; has a code of ERROR_CODES
 |- InvalidInputError    something the caller wrote is wrong (also a ValueError)
 |   |- SizeError        a size such as "6x6in"
 |   |- RecipeError      a recipe
 |   '- LimitsError      a set of limits
 '- DoesNotFitError      a blank that no sheet can hold

The text of each is one or two sentences in the artist's words: what is wrong and what to do.
"""

ERROR_CODES: dict[str, str] = {
    "missing": "there is no such file, or it is not a plain file",
    "empty": "the file holds no bytes",
    "too-large": "the file has more bytes than are taken",
    "unsupported": "the file is of a kind that is not read",
    "damaged": "the file is cut short or broken",
    "bomb": "the file would unpack into more picture than is taken, or takes too long to unpack",
    "encrypted": "the file is locked with a password",
    "no-page": "the size of the paper in the picture cannot be told",
    "blank": "nothing is drawn",
    "solid": "nothing of the paper is left, or the picture is no drawing in ink on paper",
    "low-resolution": "the picture has too few pixels for its size",
    "unsafe": "the file reaches for something outside itself",
}


class GeometryError(Exception):
    """Root of all errors raised on purpose by geometry."""


class UnreadableError(GeometryError):
    """A drawing that cannot be read.

    code: one of ERROR_CODES. message: what is wrong and what to do, for the artist.
    """

    def __init__(self, code: str, message: str) -> None:
        if code not in ERROR_CODES:
            raise ValueError(f"{code!r} is not an error code")
        super().__init__(message)
        self.code = code
        self.message = message

    def __reduce__(self) -> tuple[type, tuple[str, str]]:
        return type(self), (self.code, self.message)


class InvalidInputError(GeometryError, ValueError):
    """Something the caller wrote (a size, a recipe, limits) is wrong."""


class SizeError(InvalidInputError):
    """A size that cannot be read or used."""


class RecipeError(InvalidInputError):
    """A recipe with an unknown key or a value out of its range."""


class LimitsError(InvalidInputError):
    """Limits with an unknown key or a value out of its range."""


class DoesNotFitError(GeometryError):
    """A blank that does not fit on the sheet, either way round."""
