"""Which days share a lift over midnight, so that a recounted day changes its neighbours and nobody else."""

from duty.lifts import LiftPart


def independent(earlier: LiftPart, later: LiftPart) -> bool:
    """Whether the lifts of both parts together are those of each part alone.

    So when the record breaks between them for longer than a state is carried; or when the earlier part ends EMPTY
    and its last loaded run ended long enough before the later part's first. A part without samples separates nothing.
    """
    if earlier.first_ms is None or later.first_ms is None:
        return False
    if later.first_ms - earlier.last_ms > earlier.rule.gap_ms:
        return True
    if earlier.last_on is not False:
        return False
    if not earlier.runs.size or not later.runs.size:
        return True
    return bool(later.runs["start_ms"][0] - earlier.runs["end_ms"][-1] >= earlier.rule.release_ms)
