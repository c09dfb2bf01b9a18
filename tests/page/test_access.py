"""Codes, sessions and limits, by a clock that the test turns."""

from __future__ import annotations

import re

from controller.page.access import Pairing, Rate, Sessions, new_code, spaced


def test_codes_are_eight_digits_and_differ() -> None:
    """A pairing code is eight digits, and another one each time."""
    codes = {new_code() for _ in range(100)}
    assert all(re.fullmatch(r"\d{8}", code) for code in codes)
    assert len(codes) > 95
    assert spaced("12345678") == "1234 5678"


def test_a_code_counts_once() -> None:
    """The right code, with or without its space, gives the next one, and does not count again."""
    pairing = Pairing("12345678", per_address=5, in_all=30)
    following = pairing.use("1234 5678", "192.0.2.7", 0)
    assert following is not None
    assert pairing.use("12345678", "192.0.2.7", 0) is None
    assert pairing.use(following, "192.0.2.7", 0) is not None


def test_wrong_codes_bar_an_address_for_a_minute_and_then_everybody() -> None:
    """HF-S28: five wrong codes bar their address, thirty bar all, and after a minute neither is barred."""
    pairing = Pairing("12345678", per_address=5, in_all=30)
    for second in range(5):
        assert not pairing.barred("192.0.2.1", second)
        pairing.use("00000000", "192.0.2.1", second)
    assert pairing.barred("192.0.2.1", 59.9)
    assert not pairing.barred("192.0.2.2", 59.9)
    assert not pairing.barred("192.0.2.1", 60.0)
    for guest in range(30):
        assert not pairing.barred(f"198.51.100.{guest}", 100)
        pairing.use("", f"198.51.100.{guest}", 100)
    assert pairing.barred("203.0.113.9", 159.9)
    assert not pairing.barred("203.0.113.9", 160)


def test_addresses_of_one_network_count_as_one() -> None:
    """HF-S28: a guest with a whole IPv6 /64 (RFC 4291) gets no more tries than one with a single address."""
    pairing = Pairing("12345678", per_address=2, in_all=30)
    pairing.use("1", "2001:db8::1", 0)
    pairing.use("1", "2001:db8::ffff:1", 0)
    assert pairing.barred("2001:db8::9", 1)
    assert not pairing.barred("2001:db8:0:1::9", 1)


def test_only_digests_are_kept_and_the_session_unused_longest_gives_way() -> None:
    """A token is found by its digest alone; of too many sessions the one that was used longest ago ends."""
    sessions = Sessions((), most=2)
    first, first_digest, _ = sessions.begin()
    second, second_digest, _ = sessions.begin()
    assert len(first) >= 43  # 32 random bytes in base64url without padding (RFC 4648)
    assert first.encode() not in first_digest
    assert sessions.find(first) == first_digest
    _, _, gone = sessions.begin()
    assert gone == [second_digest]
    assert sessions.find(second) is None
    assert sessions.find(None) is sessions.find("") is sessions.find("x") is None
    after = Sessions((first_digest,), most=2)
    assert after.find(first) == first_digest
    after.end(first_digest)
    assert after.find(first) is None


def test_a_rate_allows_so_many_in_so_long() -> None:
    """Three in ten seconds, and one more as soon as the first is ten seconds ago."""
    rate = Rate(3, 10)
    assert [rate.allows(second) for second in (0, 1, 2, 3, 9.9, 10, 10.5, 11)] == [
        True, True, True, False, False, True, False, True,
    ]  # fmt: skip
