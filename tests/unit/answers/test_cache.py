"""The rule of staleness: by stamp, by age, made once at a time, and again in the background."""

import asyncio

import pytest

from answers.cache import Cache

pytestmark = pytest.mark.anyio


class Source:
    """Something to keep, which counts how often it is read, and a clock that is set by hand."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.reads = 0
        self.gate = asyncio.Event()
        self.gate.set()

    def clock(self) -> float:
        return self.now_s

    async def read(self) -> int:
        await self.gate.wait()
        self.reads += 1
        return self.reads


async def until_idle() -> None:
    for _ in range(10):
        await asyncio.sleep(0)


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


async def test_a_value_holds_as_long_as_its_stamp() -> None:
    source = Source()
    kept: Cache[str, int] = Cache(2, clock=source.clock)
    assert [await kept.read("a", stamp, source.read) for stamp in (1, 1, 2, 2, 1)] == [1, 1, 2, 2, 3]
    source.now_s = 1e9
    assert await kept.read("a", 1, source.read) == 3


async def test_a_value_that_ages_is_made_anew() -> None:
    source = Source()
    kept: Cache[str, int] = Cache(2, fresh_s=2.0, clock=source.clock)
    found = []
    for source.now_s in (0.0, 2.0, 2.1, 4.0, 4.2):
        found.append(await kept.read("a", None, source.read))
    assert found == [1, 1, 2, 2, 3]


async def test_a_stale_value_is_given_while_the_next_is_made() -> None:
    source = Source()
    kept: Cache[str, int] = Cache(1, fresh_s=10.0, stale_s=600.0, clock=source.clock)

    async def ask() -> int:
        return await kept.read("a", None, source.read, refresh=source.read)

    assert await ask() == 1
    source.now_s = 11.0
    source.gate.clear()
    assert (await ask(), await ask(), source.reads) == (1, 1, 1)  # nobody waits, and one alone is made
    source.gate.set()
    await until_idle()
    assert await ask() == 2
    source.now_s = 700.0
    assert await ask() == 3  # too old to be given


async def test_who_comes_while_a_value_is_made_waits_for_it() -> None:
    source = Source()
    kept: Cache[str, int] = Cache(2, clock=source.clock)
    source.gate.clear()
    asking = [asyncio.create_task(kept.read("a", 1, source.read)) for _ in range(50)]
    await asyncio.sleep(0)
    source.gate.set()
    assert await asyncio.gather(*asking) == [1] * 50


async def test_after_a_failure_the_next_question_tries_again() -> None:
    source = Source()
    kept: Cache[str, int] = Cache(2, fresh_s=10.0, stale_s=600.0, clock=source.clock)

    async def fail() -> int:
        raise ValueError("away")

    with pytest.raises(ValueError, match="away"):
        await kept.read("a", 1, fail)
    assert await kept.read("a", 1, source.read) == 1
    source.now_s = 11.0
    assert await kept.read("a", 1, source.read, refresh=fail) == 1
    await until_idle()
    assert await kept.read("a", 1, source.read, refresh=fail) == 1


async def test_the_last_few_are_kept_and_none_that_is_too_old() -> None:
    source = Source()
    kept: Cache[str, int] = Cache(2, fresh_s=5.0, clock=source.clock)
    for key in ("a", "b", "a", "c"):
        await kept.read(key, None, source.read)
    assert kept.entries() == {"a": 1, "c": 3}  # b was not asked for the longest
    source.now_s = 11.0
    await kept.read("d", None, source.read)
    assert kept.entries() == {"d": 4}
