"""The errors of pricing; each one's text is a sentence for the person at the screen.

PriceError
    UnknownCurrencyError    a code that is not in ISO 4217
    UnpricedSizeError       the price sheet has no price for a size of blank
    UnpricedQuantityError   the size is priced, but only from a larger number
    UnpricedFilmError       the price sheet has no price for a film
    UnpricedRushError       the price sheet does not offer the order within so few days
    UnpricedPostageError    the price sheet has no price for post to a country
    EmptyOrderError         nothing to quote
    NoPriceSheetError       no published price sheet is valid on the day
    PublishedSheetError     somebody tried to change a published price sheet
    IncompleteSheetError    a draft lacks what it needs before it can be published
"""


class PriceError(ValueError):
    """Something about prices that a person has to mend; str(error) says what."""


class UnknownCurrencyError(PriceError):
    """The currency code is not one of ISO 4217."""


class UnpricedSizeError(PriceError):
    """The price sheet has no price for this size of blank."""


class UnpricedQuantityError(PriceError):
    """The size is priced only from a larger number of pieces."""


class UnpricedFilmError(PriceError):
    """The price sheet has no price for this film."""


class EmptyOrderError(PriceError):
    """The order has nothing in it."""


class NoPriceSheetError(PriceError):
    """No published price sheet is valid on the day asked for."""


class PublishedSheetError(PriceError):
    """A published price sheet, or a row of one, was about to be changed or deleted."""


class IncompleteSheetError(PriceError):
    """A draft price sheet is not fit to be published."""


class UnpricedRushError(PriceError):
    """The price sheet does not offer the order within so few days."""


class UnpricedPostageError(PriceError):
    """The price sheet has no price for post to a country."""
