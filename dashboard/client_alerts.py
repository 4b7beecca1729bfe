"""Calls of the client about alerts, their rules and targets."""

from dashboard.transport import Transport
from domain.alerts import (
    Acknowledged,
    AlertDeliveryRow,
    AlertDetail,
    AlertRow,
    AlertRuleAsked,
    AlertRuleRow,
    AlertSummary,
    AlertTargetAsked,
    AlertTargetRow,
    Priority,
    Shelved,
)
from domain.answers import Page


class AlertCalls(Transport):
    """Alerts in scope, who has them, and whom they are told to."""

    async def alerts(
        self,
        *,
        crane: str | None = None,
        open_only: bool = False,
        priority: Priority | None = None,
        cursor: str | None = None,
        limit: int = 200,
    ) -> Page[AlertRow]:
        """Alerts, newest first."""
        return await self._get(
            Page[AlertRow],
            "/alerts",
            crane=crane,
            open_only=open_only,
            priority=priority,
            cursor=cursor,
            limit=limit,
        )

    async def alert_summary(self) -> AlertSummary:
        """Open alerts grouped by crane."""
        return await self._get(AlertSummary, "/alerts/summary")

    async def alert(self, alert_id: int) -> AlertDetail:
        """One alert with its history."""
        return await self._get(AlertDetail, f"/alerts/{alert_id}")

    async def acknowledge_alert(self, alert_id: int, note: str = "") -> AlertDetail:
        """Say that you have it."""
        return await self._post(AlertDetail, f"/alerts/{alert_id}/acknowledgement", Acknowledged(note=note))

    async def shelve_alert(self, alert_id: int, asked: Shelved) -> AlertDetail:
        """Send nothing about it until then."""
        return await self._ask(
            AlertDetail,
            "PUT",
            f"/alerts/{alert_id}/shelf",
            content=asked.model_dump_json(),
            headers={"content-type": "application/json"},
        )

    async def unshelve_alert(self, alert_id: int) -> None:
        """Take it off the shelf."""
        await self._delete(f"/alerts/{alert_id}/shelf")

    async def alert_rules(self, *, cursor: str | None = None, limit: int = 200) -> Page[AlertRuleRow]:
        """Rules in force, by name."""
        return await self._get(Page[AlertRuleRow], "/alert-rules", cursor=cursor, limit=limit)

    async def write_alert_rule(self, name: str, asked: AlertRuleAsked) -> None:
        """Enter a rule, replacing the one of that name."""
        await self._put(f"/alert-rules/{name}", asked)

    async def drop_alert_rule(self, name: str) -> None:
        """Take a rule out of force; its open alerts are cleared."""
        await self._delete(f"/alert-rules/{name}")

    async def alert_targets(self, *, cursor: str | None = None, limit: int = 200) -> Page[AlertTargetRow]:
        """Whom alerts are told to."""
        return await self._get(Page[AlertTargetRow], "/alert-targets", cursor=cursor, limit=limit)

    async def write_alert_target(self, name: str, asked: AlertTargetAsked) -> None:
        """Enter a target, replacing the one of that name."""
        await self._put(f"/alert-targets/{name}", asked)

    async def drop_alert_target(self, name: str) -> None:
        """Forget a target."""
        await self._delete(f"/alert-targets/{name}")

    async def try_alert_target(self, name: str) -> None:
        """Have a trial message sent."""
        await self._send("POST", f"/alert-targets/{name}/trial")

    async def alert_deliveries(
        self, *, cursor: str | None = None, limit: int = 200
    ) -> Page[AlertDeliveryRow]:
        """Messages, newest first."""
        return await self._get(Page[AlertDeliveryRow], "/alert-deliveries", cursor=cursor, limit=limit)
