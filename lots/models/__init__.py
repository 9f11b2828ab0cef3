"""Facts of the works: who, where, what lots, what was measured, and the ledger itself."""

from lots.models.api_token import ApiToken, SignInAttempt
from lots.models.confirmed_figure import ConfirmedFigure, FigureExplanation
from lots.models.fine_metal import BarRecord, DeliveryLine, DeliveryNote, ImpurityAnalysis
from lots.models.imports import ImportDraft, ImportedRow, SheetImport
from lots.models.kept_form import KeptForm
from lots.models.ledger import (
    Account,
    BooksMonth,
    ClaimEntry,
    Entry,
    Excess,
    LedgerHead,
    LotStanding,
    MaterialEntry,
    Movement,
    RecordedRequest,
)
from lots.models.lot import Document, Lot, LotNumber
from lots.models.measurements import (
    Assay,
    AssayResult,
    Measurement,
    VolumeReading,
    Weighing,
    Withdrawal,
)
from lots.models.person_change import PersonChange, SignInLink
from lots.models.process_batch import ProcessBatch
from lots.models.reference import Balance, Party, Person, Place
from lots.models.ruling import AssayRuling, ContentChange
from lots.models.seal import Seal, SealedRow, SealLayout
from lots.models.trace_state import KeptMixture, TraceCheckpoint
from lots.models.webhooks import EventDelivery, EventSubscription
from lots.models.works import WorksSettings
from lots.models.works_zone import WorksZone

__all__ = [
    "Account",
    "ApiToken",
    "Assay",
    "AssayResult",
    "AssayRuling",
    "Balance",
    "BarRecord",
    "BooksMonth",
    "ClaimEntry",
    "ConfirmedFigure",
    "ContentChange",
    "DeliveryLine",
    "DeliveryNote",
    "Document",
    "Entry",
    "EventDelivery",
    "EventSubscription",
    "Excess",
    "FigureExplanation",
    "ImportDraft",
    "ImportedRow",
    "ImpurityAnalysis",
    "KeptForm",
    "KeptMixture",
    "LedgerHead",
    "Lot",
    "LotNumber",
    "LotStanding",
    "MaterialEntry",
    "Measurement",
    "Movement",
    "Party",
    "Person",
    "PersonChange",
    "Place",
    "ProcessBatch",
    "RecordedRequest",
    "Seal",
    "SealLayout",
    "SealedRow",
    "SheetImport",
    "SignInAttempt",
    "SignInLink",
    "TraceCheckpoint",
    "VolumeReading",
    "Weighing",
    "Withdrawal",
    "WorksSettings",
    "WorksZone",
]
