from config.refusals import (
    ConflictError,
    ForbiddenError,
    InvalidError,
    RefusalError,
    UnknownError,
    shorten,
)

__all__ = [
    "ConflictError",
    "ForbiddenError",
    "InvalidError",
    "RefusalError",
    "UnknownError",
    "shorten",
]
