"""Tells a sender what it gets wrong, on its own crane's topic: seldom, however often it happens. No I/O.

What came on a crane's own topic is answered, because there the broker has checked who writes, and what a Sparkplug node that is trusted
with the crane sent of it.
"""

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from domain.errors import QuarantineReason
from domain.messages import NoticeCode, NoticeMessage
from ingest.decode import address_of
from ingest.doubts import Doubts
from ingest.plan import Plan
from ingest.writer import Outcome, Result

EVERY_S: Final = (
    60.0,
    3600.0,
)  # the first pause between two notices of one code, and the longest: each is twice as long
REMEMBERED: Final = 100_000
MOST_A_BATCH: Final = 50  # the others have to wait for their next message
TEXT_CHARACTERS: Final = 500
_CODES: Final = {
    reason: NoticeCode(reason.value)
    for reason in QuarantineReason
    if reason.value in {code.value for code in NoticeCode}
}
Told = list[tuple[str, NoticeMessage]]

_NEXT_STEP: Final = {
    QuarantineReason.TOO_LARGE: "send fewer samples in a message",
    QuarantineReason.NOT_JSON: "send JSON in UTF-8",
    QuarantineReason.NOT_CBOR: "send one CBOR map, of the tags of docs/wire.md alone",
    QuarantineReason.BAD_ENCODING: "state content type and content-encoding as in docs/wire.md",
    QuarantineReason.BAD_SHAPE: "compare the message with docs/wire.md and its JSON Schema",
    QuarantineReason.OUT_OF_RANGE: "send null for a missing reading: NaN and infinity are no JSON",
    QuarantineReason.BEFORE_REGISTRATION: "set the clock of the sender, or have the registration dated back",
    QuarantineReason.CRANE_MISMATCH: "send the name of the topic, or leave `crane` out",
}


@dataclass(slots=True)
class _Spoken:
    next_s: float
    pause_s: float
    messages: int = 0


class Notices:
    """What is to be told after each batch."""

    def __init__(self) -> None:
        self._doubts = Doubts()
        self._spoken: OrderedDict[tuple[str, NoticeCode, str | None], _Spoken] = OrderedDict()

    def about(self, planned: Plan, results: Sequence[Result], now_s: float) -> Told:
        """(crane, notice) of a batch that is committed; `now_s` is a clock that only goes forward."""
        told: Told = []
        for place, rejected in sorted(planned.rejected.items()):
            code, step = _CODES.get(rejected.reason), _NEXT_STEP.get(rejected.reason)
            if code is not None:
                detail = rejected.detail[:TEXT_CHARACTERS]
                text = f"{detail}; {step}" if step else detail
                self._tell(told, planned, place, results, code, None, text, now_s)
        new = [place for place, result in enumerate(results) if result.outcome is Outcome.STORED]
        for doubt in self._doubts.look(planned, new):
            self._tell(told, planned, doubt.place, results, doubt.code, doubt.channel, doubt.text, now_s)
        return told

    def _tell(
        self,
        told: Told,
        planned: Plan,
        place: int,
        results: Sequence[Result],
        code: NoticeCode,
        channel: str | None,
        text: str,
        now_s: float,
    ) -> None:
        message, result = planned.batch[place], results[place]
        address = address_of(message.topic)
        if address is None:
            return
        key = address[0], code, channel
        messages = self._due(key, now_s, full=len(told) >= MOST_A_BATCH)
        if messages:
            boot, seq = result.key or (None, None)
            told.append(
                (
                    address[0],
                    NoticeMessage(
                        at=message.received_at,
                        outcome="quarantined" if result.outcome is Outcome.QUARANTINED else "stored",
                        code=code,
                        boot=boot,
                        seq=seq,
                        channel=channel,
                        text=text,
                        messages=messages,
                    ),
                )
            )

    def _due(self, key: tuple[str, NoticeCode, str | None], now_s: float, *, full: bool) -> int:
        """How many messages the notice stands for when it is told now; 0 when it has to wait."""
        shortest, longest = EVERY_S
        spoken = self._spoken.get(key)
        if spoken is None or now_s > spoken.next_s + longest:
            spoken = self._spoken[key] = _Spoken(now_s, shortest, 0)
            if len(self._spoken) > REMEMBERED:
                self._spoken.popitem(last=False)
        spoken.messages += 1
        if now_s < spoken.next_s or full:
            return 0
        messages, spoken.messages = spoken.messages, 0
        spoken.next_s, spoken.pause_s = now_s + spoken.pause_s, min(longest, spoken.pause_s * 2)
        return messages
