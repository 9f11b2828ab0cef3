"""What a customer may see of the books: nobody else's lots, and results exchanged first."""

from __future__ import annotations

from dataclasses import replace

from lots.ledger.holdings import AsOf
from lots.models import DeliveryNote, Lot, Party
from lots.queries.delivery_note import DeliveryDocument, delivery_document, metals_together
from lots.traces.lot_trace import Graph
from reports.queries.lot.lot_answer_lines import LotAnswer, MetalAnswer
from reports.queries.lot.lot_payable import LotPayable, PayableBasis
from reports.queries.lot.sealed_results import Sealed, sealed_for
from reports.queries.sealed_lines import claims_shown, resting_on

ANOTHERS: str = "another-owner"
ANOTHERS_NAME: str = "A lot of another owner"
NOT_YET_EXCHANGED: str = "The works' result is shown once the customer's own is recorded."


def seen_by_customer(answer: LotAnswer, customer: Party) -> LotAnswer:
    """The answer without what is other customers', or the works' until results are exchanged."""
    codes = {part.holder for part in answer.parts if part.form}
    codes |= {node.key for node in answer.graph.nodes if node.kind == "lot"}
    others = Lot.objects.filter(code__in=codes).exclude(owner=customer).select_related("owner")
    owners = {lot.code: lot.owner for lot in others}
    sealed = sealed_for(customer)
    if sealed:
        as_of = AsOf(answer.as_of_occurred, answer.as_of_recorded)
        claims = claims_shown(sealed, as_of)
        metals = [replace(each, claim_ug=claims.get(each.metal, 0)) for each in answer.metals]
        answer = replace(answer, metals=tuple(metals))
        if answer.lot in sealed.lots.values():
            return _as_declared(answer, sealed)
        # Of metal that is mixed with theirs, each share tells how much theirs is.
        if codes & set(sealed.lots.values()) or (owners and sealed.pooled_since is not None):
            return _without_where(answer, sealed)
    hidden = {code for code, owner in owners.items() if not owner.is_house}
    parts = tuple(
        replace(part, holder=ANOTHERS, name=ANOTHERS_NAME, form="", place="")
        if part.holder in hidden
        else part
        for part in answer.parts
    )
    return replace(answer, parts=parts, graph=_without(answer.graph, hidden))


def delivery_shown(note: DeliveryNote) -> DeliveryDocument:
    """The note as the party it goes to may read it, whoever prints it.

    Until results are exchanged it leaves out metal and bars that follow from the works'.
    """
    document = delivery_document(note)
    sealed = sealed_for(note.party)
    if not sealed:
        return document
    ids = dict(note.lines.values_list("lot__code", "lot_id"))
    resting = resting_on(
        sealed, {(ids[lot.lot], metal) for lot in document.lots for metal in lot.metals}
    )
    lots = tuple(
        replace(
            lot,
            metals={m: ug for m, ug in lot.metals.items() if (ids[lot.lot], m) not in resting},
            bar=None if ids[lot.lot] in sealed.lots else lot.bar,
        )
        for lot in document.lots
    )
    return replace(document, lots=lots, metals=metals_together(lots), withheld=sealed.words)


def _as_declared(answer: LotAnswer, sealed: Sealed) -> LotAnswer:
    """The lot as it was declared and weighed; by a settlement in force, what is payable."""
    answer = _without_where(answer, sealed)
    assays = [each for each in answer.evidence.assays if each.id not in sealed.assays]
    claims = {each.metal: each.claim_ug for each in answer.metals}
    metals = [
        MetalAnswer(metal, mass_ug, None, {}, None, claims.get(metal, 0))
        for metal, mass_ug in answer.evidence.declared_ug.items()
    ]
    payable = answer.payable
    if payable.basis != PayableBasis.SETTLEMENT:
        payable = LotPayable(
            PayableBasis.NONE, "", "", payable.settle_in, {}, None, "", NOT_YET_EXCHANGED
        )
    return replace(
        answer,
        evidence=replace(answer.evidence, assays=tuple(assays)),
        metals=tuple(metals),
        payable=payable,
    )


def _without_where(answer: LotAnswer, sealed: Sealed) -> LotAnswer:
    metals = [replace(each, where_ug={}, joined_pool_ug=None) for each in answer.metals]
    return replace(
        answer, metals=tuple(metals), parts=(), graph=Graph([], []), withheld=sealed.words
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
