"""Access codes, what is kept of them, and how many wrong ones are put up with."""

import hashlib

import pytest
from plugface.cli.web import access
from plugface.cli.web.limits import Limits


def test_a_code_fits_however_it_is_typed():
    code = access.make_code(access.make_key())
    kept = access.hash_code(code)
    assert access.fits(code, kept)
    assert access.fits(f" {code.lower().replace('-', ' ')} ", kept)
    assert not access.fits(code[:-1] + ("2" if code[-1] != "2" else "3"), kept)
    assert not access.fits(code[:-1], kept)
    assert not access.fits(code, None)
    assert code.split("-", 1)[1].encode() not in kept.digest + kept.salt


def test_to_guess_a_code_costs_what_is_advised(true_code_cost, monkeypatch):
    # N = 2^14, r = 8, p = 5: OWASP's cheat sheet on password storage, from memory.
    assert (true_code_cost["n"], true_code_cost["r"], true_code_cost["p"]) == (2**14, 8, 5)
    monkeypatch.setattr(access, "_SCRYPT", true_code_cost)
    kept = access.hash_code("ABCD-22222-33333")
    key = hashlib.scrypt(b"2222233333", salt=kept.salt, dklen=32, **true_code_cost)
    assert kept.digest == key


def test_codes_are_long_and_differ():
    codes = {access.make_code("AAAA") for _ in range(200)}
    assert len(codes) == 200
    assert len(access.SIGNS) == 32  # 5 bits each, 50 bits for the ten signs of the secret
    assert all(len(access.split_code(code)[1]) == 10 for code in codes)


@pytest.fixture
def guesses():
    now = [0.0]
    counted = access.RateLimiter(
        Limits(wrong_codes=3, wrong_codes_per_lot=5, wrong_codes_s=60.0), clock=lambda: now[0]
    )
    return counted, now


def test_an_address_waits_after_its_wrong_codes(guesses):
    counted, now = guesses
    for _ in range(3):
        assert counted.wait_s("a") == 0
        counted.note("a")
        now[0] += 1
    assert counted.wait_s("a") == 58  # 60 s after the first of the three, plus the started second
    assert counted.wait_s("b") == 0
    now[0] = 60.5
    assert counted.wait_s("a") == 0


def test_many_addresses_at_one_lot_shut_that_lot_alone(guesses):
    counted, _ = guesses
    for address in "abcde":
        counted.note(address, "NORTH")
    assert counted.wait_s("f", "NORTH") > 0
    assert counted.wait_s("f", "SOUTH") == 0


def test_a_host_counts_once_whatever_address_of_its_network_it_takes(guesses):
    # RFC 3849 and RFC 5737: addresses that nobody has.
    counted, _ = guesses
    for number in range(3):
        counted.note(f"2001:db8:1:2::{number}", f"LOT{number}")
    assert counted.wait_s("2001:db8:1:2:ffff::1", "NORTH") > 0
    assert counted.wait_s("2001:db8:1:3::1", "NORTH") == 0
    assert access.network_of("::ffff:192.0.2.1") == "192.0.2.1"
    assert access.network_of("192.0.2.1") != access.network_of("192.0.2.2")


def test_the_right_code_does_not_count(guesses):
    counted, _ = guesses
    for _ in range(10):
        counted.note("a")
        counted.forget("a")
    assert counted.wait_s("a") == 0
