"""The metals on the books."""

from __future__ import annotations

from django.db import models


class Metal(models.TextChoices):
    """Precious metals, and copper because it limits how often electrolyte is used again."""

    AG = "Ag", "Silver"
    AU = "Au", "Gold"
    PT = "Pt", "Platinum"
    PD = "Pd", "Palladium"
    RH = "Rh", "Rhodium"
    CU = "Cu", "Copper"
