"""What an output says of itself must rest on what was measured of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from types import SimpleNamespace

from lots.ledger.recording import Act
from lots.measurements.assays import AssayReport, Finding
from lots.services.process_batches import Inputs, record_output, start_batch
from lots.services.taking import Take
from tests.builders import receive, weighed_output
from tests.refused import refused


def test_an_assay_by_volume_says_nothing_of_a_weighed_output(
    works: SimpleNamespace, act: Callable[..., Act]
) -> None:
    inputs = Inputs([Take(receive(works, act()))])
    batch = start_batch(kind="melt", place=works.places["melt-bench"], inputs=inputs, act=act(1))
    found = {"Ag": Finding(Decimal(50), Decimal(1))}
    report = AssayReport("titration", works.laboratory, found, basis="g_per_l")
    output = replace(weighed_output(works, 1, None), assay=report)
    with refused("basis_without_quantity", "output.assay.basis"):
        record_output(batch=batch, output=output, act=act(2, "k"))
