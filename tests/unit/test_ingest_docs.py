"""docs/wire.md and docs/ingest.md name every reason, topic and metric, and no other."""

import re
from pathlib import Path

import orjson
from prometheus_client.metrics import MetricWrapperBase

from domain.errors import QuarantineReason
from domain.messages import (
    EventKind,
    EventMessage,
    Leaf,
    NoticeCode,
    NoticeMessage,
    ReceiptMessage,
    SamplesMessage,
    StatusMessage,
    topic,
)
from ingest import metrics

DOCS = Path(__file__).parents[2] / "docs"
WIRE, INGEST = (DOCS / "wire.md").read_text(), (DOCS / "ingest.md").read_text()


def test_every_reason_and_no_other() -> None:
    table = WIRE.split("## Limits")[1].split("## Access")[0]
    assert set(re.findall(r"\| `(\w+)` \|$", table, re.MULTILINE)) == set(QuarantineReason)


def test_every_code_of_a_notice_is_a_reason_or_explained() -> None:
    table = WIRE.split("## Notices")[1].split("## Limits")[0]
    doubts = set(re.findall(r"^\| `(\w+)` \|", table, re.MULTILINE))
    assert doubts == set(NoticeCode) - set(QuarantineReason)
    # A topic that is no crane's is no address, and what comes over Sparkplug is not answered.
    assert set(QuarantineReason) - set(NoticeCode) == {"unknown_topic", "not_sparkplug", "no_birth"}


def test_every_topic_and_kind() -> None:
    for leaf in Leaf:
        assert f"| `{topic('{crane}', leaf)}` |" in WIRE
    for kind in EventKind:
        assert f"`{kind}`" in WIRE


def test_the_examples_are_messages() -> None:
    examples = re.findall(r"```json\n(.*?)```", WIRE, re.DOTALL)
    models = [SamplesMessage, EventMessage, StatusMessage, ReceiptMessage, NoticeMessage]
    for example, model in zip(examples, models, strict=True):
        model.model_validate_json(orjson.dumps(orjson.loads(example)), strict=True)


def test_every_metric_and_no_other() -> None:
    known = set()
    for metric in vars(metrics).values():
        if isinstance(metric, MetricWrapperBase):
            (family,) = metric.describe()
            known.add(family.name + ("_total" if family.type == "counter" else ""))
    assert set(re.findall(r"`(boomledger_ingest_\w+)", INGEST)) == known
