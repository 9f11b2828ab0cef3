"""An unlikely figure that somebody said again, and what explained it later."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from lots.models.ledger import Movement
from lots.models.sealed import Sealed


class ConfirmedFigure(Sealed):
    """A figure out of its range, recorded all the same because it was confirmed.

    `recorded_model` and `recorded_pk` name what was recorded, `movement` its movement if it has
    one. The figure and its range are kept as they were shown.
    """

    recorded_model = models.CharField(max_length=60)
    recorded_pk = models.BigIntegerField()
    movement = models.ForeignKey(
        Movement,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="confirmed_figures",
    )
    about = models.CharField(max_length=120, help_text="What was recorded, in words.")
    field = models.CharField(max_length=120)
    figure = models.CharField(max_length=80)
    low = models.CharField(max_length=40, blank=True)
    high = models.CharField(max_length=40, blank=True)
    why = models.CharField(max_length=500)
    confirmed_at = models.DateTimeField()
    confirmed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-id"]
        indexes = [
            models.Index(fields=["recorded_model", "recorded_pk"], name="confirmed_figure_of"),
        ]

    def __str__(self) -> str:
        return f"{self.figure} ({self.about})"


class FigureExplanation(Sealed):
    """Why an unlikely figure was right, or what became of it. With it the matter is settled."""

    figure = models.OneToOneField(
        ConfirmedFigure, on_delete=models.PROTECT, related_name="explanation"
    )
    explanation = models.CharField(max_length=500)
    explained_at = models.DateTimeField()
    explained_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"explained: {self.figure}"
