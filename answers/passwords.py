"""Whether a password can be guessed, in words of the catalogue: one rule for the command line, the api and the pages.

By length and by an estimate of how many guesses find it (zxcvbn), without rules of what signs it holds: so advise NIST SP 800-63B
and OWASP's notes on authentication (both from memory). The length is checked where the hash is made (store/access.py).
"""

import re
from threading import Lock
from typing import Final

from domain.errors import InvalidInput
from store.access import hash_password
from words.remarks import remark

SCORE: Final = 3
"""Least score of 0 to 4 where no setting says another: some 10^8 guesses."""
JUDGED_SIGNS: Final = 40
"""The estimate takes seconds for a long text: the beginning is judged alone, and stands for itself without the rest."""
PRODUCT_WORDS: Final = (
    "boomledger",
    "boom",
    "ledger",
    "loader",
    "crane",
    "cranes",
    "truck",
    "yard",
    "telemetry",
    "lift",
    "load",
)

_WHY: Final = {
    "Straight rows of keys are easy to guess.": "keys",
    "Short keyboard patterns are easy to guess.": "keys",
    'Repeats like "aaa" are easy to guess.': "repeat",
    'Repeats like "abcabcabc" are only slightly harder to guess than "abc".': "repeat",
    'Sequences like "abc" or "6543" are easy to guess.': "sequence",
    "Recent years are easy to guess.": "date",
    "Dates are often easy to guess.": "date",
    "This is a top-10 common password.": "common",
    "This is a top-100 common password.": "common",
    "This is a very common password.": "common",
    "This is similar to a commonly used password.": "common",
    "A word by itself is easy to guess.": "word",
    "Names and surnames by themselves are easy to guess.": "name",
    "Common names and surnames are easy to guess.": "name",
}
"""What the estimate warns of, as the end of the code of our words."""
_ONE_AT_A_TIME: Final = Lock()


def refuse_weak(password: str, account: str, least_score: int = SCORE) -> None:
    """InvalidInput (field `password`) with what to do where a password is easy to guess. Takes up to a second of CPU.

    account: its name and the words of the product count as known to who guesses. least_score: 0 (any) to 4.
    """
    from zxcvbn import zxcvbn  # reads its dictionaries: not for every start of a process

    known = [word for word in {account, *re.split(r"[._@-]+", account), *PRODUCT_WORDS} if len(word) > 2]
    # A known word counts for nothing: the estimate knows it by its letters, also in other signs, but takes two of them for many guesses.
    rest = re.sub(
        "|".join(map(re.escape, sorted(known, key=len, reverse=True))), "", password, flags=re.IGNORECASE
    )
    with _ONE_AT_A_TIME:  # it keeps the words that are known in a place of the whole process
        found = zxcvbn(rest[:JUDGED_SIGNS] or "-", user_inputs=known)
    if found["score"] < least_score:
        own = rest != password or any(
            one.get("dictionary_name") == "user_inputs" for one in found["sequence"]
        )
        why = "own" if own else _WHY.get(found["feedback"]["warning"], "few")
        raise InvalidInput(
            remark("password.weak", why=remark(f"password.why.{why}").text).text, field="password"
        )


def strong_hash(password: str, account: str, least_score: int = SCORE) -> str:
    """The hash of a password that is neither too short nor easy to guess; InvalidInput of another."""
    made = hash_password(password)
    refuse_weak(password, account, least_score)
    return made
