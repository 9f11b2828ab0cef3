"""What this program does not decide: the law of the place where the metal is dealt in."""

from __future__ import annotations

from typing import Final

LOCAL_LAW: Final = (
    "Licensing of dealers, hallmarking, anti-money-laundering duties and tax are matters of local "
    "law. Which papers are asked for, how long they are kept and who may see them is for that law "
    "and whoever advises on it; this program keeps what is recorded and gives no such advice."
)
