"""A lot's answer as its customer may see it: nobody else's lots, and results exchanged first."""

from __future__ import annotations

from dataclasses import replace

from lots.models import Assay, Lot, Party
from lots.traces.lot_trace import Graph
from reports.queries.lot.lot_answer_lines import LotAnswer
from reports.queries.lot.lot_payable import LotPayable, PayableBasis

ANOTHERS: str = "another-owner"
ANOTHERS_NAME: str = "A lot of another owner"
NOT_YET_EXCHANGED: str = "The works' result is shown once the customer's own is recorded."


def seen_by_customer(answer: LotAnswer, customer: Party) -> LotAnswer:
    """The answer without what is other customers', or the works' until results are exchanged."""
    codes = {part.holder for part in answer.parts if part.form}
    codes |= {node.key for node in answer.graph.nodes if node.kind == "lot"}
    hidden = set(
        Lot.objects.filter(code__in=codes)
        .exclude(owner=customer)
        .exclude(owner__kind=Party.Kind.HOUSE)
        .values_list("code", flat=True)
    )
    parts = tuple(
        replace(part, holder=ANOTHERS, name=ANOTHERS_NAME, form="", place="")
        if part.holder in hidden
        else part
        for part in answer.parts
    )
    answer = replace(answer, parts=parts, graph=_without(answer.graph, hidden))
    is_settled = answer.payable.basis == PayableBasis.SETTLEMENT
    sides = {assay.side for assay in answer.evidence.assays if not assay.withdrawn}
    is_open = is_settled or not answer.payable.is_exchanged
    if is_open or Assay.Side.COUNTERPARTY in sides or not sides:
        return answer
    evidence = replace(answer.evidence, assays=())
    payable = LotPayable(
        PayableBasis.NONE, "", "", answer.payable.settle_in, {}, None, "", NOT_YET_EXCHANGED
    )
    return replace(
        answer,
        evidence=evidence,
        payable=payable,
        parts=tuple(replace(part, standard_uncertainty_ug=None) for part in parts),
        metals=tuple(replace(metal, standard_uncertainty_ug=None) for metal in answer.metals),
    )


def _without(graph: Graph, hidden: set[str]) -> Graph:
    """The graph with every hidden lot's node under one name."""

    def shown(key: str) -> str:
        return ANOTHERS if key in hidden else key

    nodes = [node for node in graph.nodes if node.key not in hidden]
    if len(nodes) < len(graph.nodes):
        sample = next(node for node in graph.nodes if node.key in hidden)
        nodes.append(replace(sample, key=ANOTHERS, label=ANOTHERS_NAME, form=""))
    edges = [
        replace(edge, source=shown(edge.source), target=shown(edge.target)) for edge in graph.edges
    ]
    return replace(graph, nodes=nodes, edges=edges)
