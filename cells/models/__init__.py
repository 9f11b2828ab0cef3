"""Facts of the cells: electrolytes, runs and their readings, harvests, slimes bags, warnings."""

from cells.models.cell import Cell
from cells.models.electrolyte import ElectrolyteBatch, ElectrolyteReading
from cells.models.harvest import Harvest, HarvestBalance
from cells.models.run import (
    CHARGED_FORMS,
    UNDER_WAY,
    UNFINISHED,
    CellRun,
    CoulombCount,
    PowerStatement,
    PowerStatementWithdrawal,
    ReadingWithdrawal,
    RunMovement,
    RunReading,
)
from cells.models.slimes import RecoveryOutcome, SlimesBag, SlimesEstimate
from cells.models.warning import CellWarning

__all__ = [
    "CHARGED_FORMS",
    "UNDER_WAY",
    "UNFINISHED",
    "Cell",
    "CellRun",
    "CellWarning",
    "CoulombCount",
    "ElectrolyteBatch",
    "ElectrolyteReading",
    "Harvest",
    "HarvestBalance",
    "PowerStatement",
    "PowerStatementWithdrawal",
    "ReadingWithdrawal",
    "RecoveryOutcome",
    "RunMovement",
    "RunReading",
    "SlimesBag",
    "SlimesEstimate",
]
