"""A client of the ledger's API, written by `python -m tests.client.generate`."""

from __future__ import annotations

from typing import Any

from tests.client.calling import LEFT_OUT, Caller


class LedgerClient(Caller):
    """Each method is an operation of the API; it answers its JSON or raises `Refused`."""

    def token_create(
        self,
        *,
        password: str,
        username: str,
        days: Any = LEFT_OUT,
        name: Any = LEFT_OUT,
        scopes: Any = LEFT_OUT,
    ) -> Any:
        """Make a token with a name and a password. It reads unless `scopes` says more."""
        return self.call(
            "POST",
            "/api/v1/token/",
            body={
                "password": password,
                "username": username,
                "days": days,
                "name": name,
                "scopes": scopes,
            },
        )

    def receipts_create(
        self,
        *,
        form: Any,
        owner: str,
        party: str,
        place: str,
        weight: Any,
        code: Any = LEFT_OUT,
        confirm: Any = LEFT_OUT,
        declared: Any = LEFT_OUT,
        description: Any = LEFT_OUT,
        note: Any = LEFT_OUT,
        occurred_at: Any = LEFT_OUT,
    ) -> Any:
        """Receive a lot at the door."""
        return self.call(
            "POST",
            "/api/v1/receipts/",
            body={
                "form": form,
                "owner": owner,
                "party": party,
                "place": place,
                "weight": weight,
                "code": code,
                "confirm": confirm,
                "declared": declared,
                "description": description,
                "note": note,
                "occurred_at": occurred_at,
            },
        )

    def lots_retrieve(self, code: str) -> Any:
        """Lots with what they hold now."""
        return self.call("GET", f"/api/v1/lots/{self.quoted(code)}/")

    def lots_list(
        self,
        *,
        area: Any = LEFT_OUT,
        content: Any = LEFT_OUT,
        content_g_max: Any = LEFT_OUT,
        content_g_min: Any = LEFT_OUT,
        form: Any = LEFT_OUT,
        metal: Any = LEFT_OUT,
        ordering: Any = LEFT_OUT,
        owner: Any = LEFT_OUT,
        page: Any = LEFT_OUT,
        page_size: Any = LEFT_OUT,
        place: Any = LEFT_OUT,
        received_from: Any = LEFT_OUT,
        registered_after: Any = LEFT_OUT,
        registered_before: Any = LEFT_OUT,
        search: Any = LEFT_OUT,
        state: Any = LEFT_OUT,
    ) -> Any:
        """Lots with what they hold now."""
        return self.call(
            "GET",
            "/api/v1/lots/",
            query={
                "area": area,
                "content": content,
                "content_g_max": content_g_max,
                "content_g_min": content_g_min,
                "form": form,
                "metal": metal,
                "ordering": ordering,
                "owner": owner,
                "page": page,
                "page_size": page_size,
                "place": place,
                "received_from": received_from,
                "registered_after": registered_after,
                "registered_before": registered_before,
                "search": search,
                "state": state,
            },
        )

    def lots_assays_create(
        self,
        code: str,
        *,
        assay: Any,
        confirm: Any = LEFT_OUT,
        note: Any = LEFT_OUT,
        occurred_at: Any = LEFT_OUT,
    ) -> Any:
        """Record a laboratory's report of a lot."""
        return self.call(
            "POST",
            f"/api/v1/lots/{self.quoted(code)}/assays/",
            body={"assay": assay, "confirm": confirm, "note": note, "occurred_at": occurred_at},
        )

    def assays_rule_create(
        self,
        id: int,
        *,
        reason: str,
        confirm: Any = LEFT_OUT,
        note: Any = LEFT_OUT,
        occurred_at: Any = LEFT_OUT,
    ) -> Any:
        """Let an assay rule its lot."""
        return self.call(
            "POST",
            f"/api/v1/assays/{self.quoted(id)}/rule/",
            body={"reason": reason, "confirm": confirm, "note": note, "occurred_at": occurred_at},
        )

    def movements_retrieve(self, sequence: str) -> Any:
        """Movements with all their lines, newest first."""
        return self.call("GET", f"/api/v1/movements/{self.quoted(sequence)}/")

    def events_retrieve(
        self,
        *,
        after: Any = LEFT_OUT,
        kind: Any = LEFT_OUT,
        limit: Any = LEFT_OUT,
        lines: Any = LEFT_OUT,
    ) -> Any:
        """Events after an id, in the order of the ledger; ask again with `next_after`."""
        return self.call(
            "GET",
            "/api/v1/events/",
            query={"after": after, "kind": kind, "limit": limit, "lines": lines},
        )

    def prices_list(
        self,
        *,
        before_day: Any = LEFT_OUT,
        currency: Any = LEFT_OUT,
        from_day: Any = LEFT_OUT,
        metal: Any = LEFT_OUT,
        ordering: Any = LEFT_OUT,
        page: Any = LEFT_OUT,
        page_size: Any = LEFT_OUT,
        search: Any = LEFT_OUT,
    ) -> Any:
        """prices_list."""
        return self.call(
            "GET",
            "/api/v1/prices/",
            query={
                "before_day": before_day,
                "currency": currency,
                "from_day": from_day,
                "metal": metal,
                "ordering": ordering,
                "page": page,
                "page_size": page_size,
                "search": search,
            },
        )
