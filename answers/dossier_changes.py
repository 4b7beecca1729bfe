"""What changed from one dossier to a later one: figures, entries and records, old beside new. Works on their JSON alone."""

import hashlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final, Literal

from domain.dossier import DossierChange
from domain.overload import peak_words
from words.texts import t

Part = Literal["figure", "entry", "record"]
FIGURES: Final = ("life", "coverage", "duty", "spectrum", "method")
ENTRIES: Final = ("crane", "site")
KEYS: Final = {
    "damage": ("detail",),
    "details": ("name",),
    "exclusions": ("exclusion_id",),
    "readings": ("kind", "read_on", "source"),
    "descriptions": ("valid_from",),
    "records": ("kind", "record_id"),
    "services": ("done_id",),
    "findings": ("code", "channel"),
}
"""Lists by part of a dossier, and what tells one row from another."""

LEFT_OUT: Final = frozenset({
    "details", "cautions", "sentence", "remarks", "influences", "by_direction", "ranges", "crossings", "time_at_level", "lift_peaks", "gaps",
    "estimated", "f1_by_month", "counted_at", "entered_at", "detail_id", "days_waiting", "what_to_do",
})  # fmt: skip
"""Inside a part: sentences, and long lists that stand in both dossiers to be compared by eye."""

NAMED_ALREADY: Final = ("crane", "version", "effect", "reading id")
TYPE_TOLD: Final = ("type name", "type rated moment kn m")


def changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[DossierChange]:
    """Every figure, entry and record that differs. Numbers are told to six digits, or in full where these agree."""
    return [
        *(one for name in FIGURES for one in _values("figure", before.get(name), after.get(name), name)),
        *(one for name in ENTRIES for one in _values("entry", before.get(name), after.get(name), name)),
        *_overloads(before.get("overloads", ()), after.get("overloads", ())),
        *_records("figure", "damage of", "damage", _damage(before), _damage(after)),
        *_records("entry", "weld detail", "details", before, after),
        *_records("record", "counter reading", "readings", before.get("counters"), after.get("counters")),
        *(
            one
            for kind, name in (
                ("exclusion", "exclusions"),
                ("description", "descriptions"),
                ("life record", "records"),
                ("service", "services"),
                ("finding", "findings"),
            )
            for one in _records("record", kind, name, before, after)
        ),
    ]


def _overloads(before: Sequence[Any], after: Sequence[Any]) -> Iterator[DossierChange]:
    """Entries of the register that are other now, one by one; those that came or went together: there may be hundreds."""
    old, new = ({row["started_at"]: row for row in rows} for rows in (before, after))
    for found, side in (
        ([new[at] for at in new.keys() - old.keys()], "after"),
        ([old[at] for at in old.keys() - new.keys()], "before"),
    ):
        if found:
            words = t(
                "changes.overloads",
                count=len(found),
                peak=peak_words(max(row["peak_structural_pct"] for row in found)),
            )
            sides = {"before": None, "after": None, side: words}
            what = t("changes.overloads_came" if side == "after" else "changes.overloads_went")
            yield DossierChange(part="record", what=what, **sides)
    for at in (one for one in new if one in old):
        was, now = dict(_flat(old[at])), dict(_flat(new[at]))
        for field in {**was, **now}:
            yield from _change(
                "record", t("changes.overload", at=at, field=field), was.get(field), now.get(field)
            )


def _damage(whole: Mapping[str, Any]) -> dict[str, Any]:
    return {"damage": whole.get("life", {}).get("details", ())}


def _values(part: Part, before: Any, after: Any, name: str) -> Iterator[DossierChange]:
    old, new = dict(_flat(before or {})), dict(_flat(after or {}))
    for path in {**old, **new}:
        yield from _change(part, f"{name}: {path}", old.get(path), new.get(path))


def _records(
    part: Part, kind: str, name: str, before: Mapping[str, Any] | None, after: Mapping[str, Any] | None
) -> Iterator[DossierChange]:
    """Rows that came, went, or changed; a changed one by its fields."""
    old, new = (_keyed(name, whole) for whole in (before, after))
    for key in {**old, **new}:
        what = f"{kind} {' '.join(word for word in key if word)}"
        if key in old and key in new:
            for field in {**old[key], **new[key]}:
                yield from _change(part, f"{what}: {field}", old[key].get(field), new[key].get(field))
        else:
            yield from _change(part, what, _told(key, old.get(key)), _told(key, new.get(key)))


def _keyed(name: str, whole: Mapping[str, Any] | None) -> dict[tuple[str, ...], dict[str, Any]]:
    """Rows by what tells them apart; those that nothing tells apart are numbered, so that none is lost."""
    found: dict[tuple[str, ...], dict[str, Any]] = {}
    seen: Counter[tuple[str, ...]] = Counter()
    for row in (whole or {}).get(name, ()):
        key = tuple(str(row.get(one)) for one in KEYS[name])
        seen[key] += 1
        found[(*key, f"({seen[key]})") if seen[key] > 1 else key] = dict(_flat(row))
    return found


def _change(part: Part, what: str, before: Any, after: Any) -> Iterator[DossierChange]:
    if before != after:
        old, new = _text(before), _text(after)
        if old == new:
            old, new = repr(before), repr(after)
        yield DossierChange(part=part, what=what, before=old, after=new)


def _flat(value: Mapping[str, Any], path: str = "") -> Iterator[tuple[str, Any]]:
    """Single values by their names, those inside others behind them; a list of rows by each row's first field."""
    for name, inner in value.items():
        if name in LEFT_OUT:
            continue
        words = f"{path} {name.replace('_', ' ')}".strip()
        if name == "charts":
            yield words, f"{len(inner)}, digest {hashlib.sha256(repr(inner).encode()).hexdigest()[:12]}"
        elif name == "effect_remarks":
            yield "effect", _remarks(inner)
        elif _is_remark(inner):
            yield words, inner["text"]
        elif isinstance(inner, list) and inner and all(map(_is_remark, inner)):
            yield words, _remarks(inner)
        elif isinstance(inner, Mapping):
            yield from _flat(inner, words)
        elif isinstance(inner, list) and inner and all(isinstance(one, Mapping) for one in inner):
            for place, row in enumerate(inner, 1):
                label = next(iter(row.values()), None)
                yield from _flat(row, f"{words} {label if isinstance(label, str) else place}")
        elif isinstance(inner, list):
            yield words, ", ".join(map(str, inner)) or None
        else:
            yield words, inner


def _is_remark(value: Any) -> bool:
    return isinstance(value, Mapping) and {"code", "values", "text"} <= value.keys()


def _remarks(rows: Sequence[Mapping[str, Any]]) -> str:
    return "; ".join(one["text"] for one in rows)


def _told(key: tuple[str, ...], row: Mapping[str, Any] | None) -> str | None:
    """A whole row in one line, without what is empty or named already; of a type its name and rating, the rest stands in its section."""
    if row is None:
        return None
    return "; ".join(
        f"{name} {_text(value)}"
        for name, value in row.items()
        if value not in (None, "", False)
        and str(value) not in key
        and name not in NAMED_ALREADY
        and (not name.startswith("type ") or name in TYPE_TOLD)
    )


def _text(value: Any) -> str | None:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    return None if value is None else str(value)
