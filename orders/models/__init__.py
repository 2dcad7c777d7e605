"""The rows of the workshop, one file for each kind of thing they tell about."""

from .closer import Closer
from .designs import Design, Override, Upload, Version
from .editing import Working
from .file_looks import FileLook
from .jobs import Job, Packaging, Parcel, ParcelLine, Photo
from .kerf_test import KerfTest
from .letters import LetterText
from .machine import Machine
from .measures import CutMeasure
from .mends import Kept, MendPlan
from .messages import Message
from .money import Counter, Invoice, Payment
from .orders import Order, OrderLine, Quote
from .packing import JobTick, SheetTally, Tally
from .people import Person
from .pulse import Pulse
from .records import Event, Mail
from .round_trip import RoundTrip
from .runs import Piece, SheetRun
from .shelf import ShareLine, SharePayout, ShelfOffer, ShelfPayee, ShelfSale, ShelfSize
from .stock import Offcut, StockMovement
from .use_counts import UseCount
from .workshop import Film, Workshop, limits_of_shop

__all__ = [
    "Closer",
    "Counter",
    "CutMeasure",
    "Design",
    "Event",
    "FileLook",
    "Film",
    "Invoice",
    "Job",
    "JobTick",
    "Kept",
    "KerfTest",
    "LetterText",
    "Machine",
    "Mail",
    "MendPlan",
    "Message",
    "Offcut",
    "Order",
    "OrderLine",
    "Override",
    "Packaging",
    "Parcel",
    "ParcelLine",
    "Payment",
    "Person",
    "Photo",
    "Piece",
    "Pulse",
    "Quote",
    "RoundTrip",
    "ShareLine",
    "SharePayout",
    "SheetRun",
    "SheetTally",
    "ShelfOffer",
    "ShelfPayee",
    "ShelfSale",
    "ShelfSize",
    "StockMovement",
    "Tally",
    "Upload",
    "UseCount",
    "Version",
    "Working",
    "Workshop",
    "limits_of_shop",
]
