"""Who is connected to at all: addresses, names, certificates."""

from __future__ import annotations

import ssl
from pathlib import Path

import pytest
from click.testing import CliRunner
from lying_server import Lying
from test_lies import order

from lotflow.cli import fetch as command
from lotflow.cli.main import commands
from lotflow.errors import FetchError, InputError
from lotflow.fetching import http_door
from lotflow.fetching.http_door import Budget, Rules, place_of
from lotflow.study.fetch import fetch


@pytest.mark.parametrize(
    "url",
    [
        "http://data.test/a.tif", "ftp://data.test/a.tif", "file:///etc/passwd", "/etc/passwd",
        "https://", "https:///a.tif", "https://me@data.test/a.tif", "https://me:pw@data.test/a.tif",
        "https://data.test#a", "https://data.test/a.tif#b", "https://data.test\\@evil.test/a.tif",
        "https://data.test/a b.tif", "https://data.test/\u00e4.tif", "https://d\u0430ta.test/a.tif",
        "https://data.test:99999/a.tif", "https://data.test:/a.tif", "https://.data.test/a.tif", "https://data.test./a.tif",
        "https://data.test/a\r\nHost: evil.test", "https://data.test/a\x00", "https://[data.test]/a",
        "https://data.test@evil.test/", "javascript:alert(1)", "https://" + "a" * 5000,
        # letters that a comparison without case takes for ASCII, and digits of other scripts
        "https://\u212aernel.test/a", "http\u017f://data.test/a", "https://data.test/\u017f",
        "https://data.test:\u0664\u0664/a",
    ],
)  # fmt: skip
def test_addresses_that_are_refused(url: str) -> None:
    """And a password in one is not repeated."""
    with pytest.raises(InputError, match="must be https") as caught:
        place_of(url)
    assert "pw" not in str(caught.value)


@pytest.mark.parametrize("href", ["//[", "https://[::1", "//me:pw@data.test/a", "http://data.test"])
def test_what_an_item_names_is_refused_in_the_same_way(href: str) -> None:
    with pytest.raises(InputError, match="must be https") as caught:
        place_of(href, base="https://data.test/items/a.json")
    assert "pw" not in str(caught.value)


def test_addresses_that_are_taken() -> None:
    place = place_of("HTTPS://Data.Test/a%20b.tif?sig=s%3D&x=1")
    assert (place.authority, place.target) == ("data.test", "/a%20b.tif?sig=s%3D&x=1")
    assert place.shown == "https://data.test/a%20b.tif?..."
    assert place_of("https://data.test:8443").authority == "data.test:8443"
    assert place_of("https://data.test:443/a").authority == "data.test"
    assert place_of("https://[2001:db8::1]/a").host == "[2001:db8::1]"


@pytest.mark.parametrize(
    ("address", "allowed"),
    [
        # the registries of special addresses: IANA, as RFC 6890 describes them
        ("8.8.8.8", True), ("2606:4700::1111", True), ("127.0.0.1", False), ("127.0.0.2", False),
        ("0.0.0.0", False), ("10.1.2.3", False), ("172.16.0.1", False), ("192.168.1.1", False),
        ("169.254.169.254", False), ("100.64.0.1", False), ("198.18.0.1", False),
        ("224.0.0.1", False), ("240.0.0.1", False), ("255.255.255.255", False),
        ("192.0.2.1", False), ("::1", False), ("::", False), ("fe80::1", False),
        ("fe80::1%eth0", False), ("fc00::1", False), ("ff02::1", False), ("2001:db8::1", False),
        ("::ffff:127.0.0.1", False), ("::ffff:10.0.0.1", False), ("::ffff:8.8.8.8", True),
        ("64:ff9b::a00:1", False), ("64:ff9b::808:808", True), ("2002:a00:1::1", False),
        # not given out, or of a site (RFC 3879), though Python 3.11 calls them global; of RFC 8215
        # the IPv4 address may stand elsewhere than at the end
        ("fec0::1", False), ("::10.0.0.1", False), ("::ffff:0:10.0.0.1", False),
        ("4000::1", False), ("64:ff9b:1:a00:0:100:808:808", False),
    ],
)  # fmt: skip
def test_which_addresses_are_of_the_internet(address: str, allowed: bool) -> None:
    assert http_door._is_allowed(address, loopback=False) is allowed
    local = address.endswith("127.0.0.1")
    assert http_door._is_allowed(address, loopback=True) is (allowed or local)


@pytest.mark.parametrize(
    ("host", "said"),
    [("inner.test", "10.1.2.3"), ("mixed.test", "192.168.0.1"), ("mapped.test", "10.0.0.1"),
     ("linklocal.test", "169.254.169.254"), ("canary.test", "127.0.0.2"),
     ("nowhere.test", "could not be looked up"), ("127.0.0.2", "127.0.0.2"),
     ("2130706434", "2130706434"), ("169.254.169.254", "169.254.169.254")],
)  # fmt: skip
def test_a_name_that_leads_inside_is_not_connected_to(
    net: Lying, canary: Lying, tmp_path: Path, host: str, said: str
) -> None:
    """Also where only one of its addresses does, and though the user has confirmed it."""
    url = net.url("deflate.tif", host=host)
    with pytest.raises(FetchError, match=said):
        fetch(order(url), tmp_path / "dem.tif", lambda _: True, Budget(seconds=5))
    assert net.connections == canary.connections == 0


def test_without_the_rules_of_tests_this_machine_is_not_reached(
    net: Lying, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(http_door, "RULES", Rules())
    with pytest.raises(FetchError, match=r"127\.0\.0\.1, an address inside"):
        fetch(order(net.url("deflate.tif")), tmp_path / "dem.tif", lambda _: True, Budget())
    assert net.connections == 0


def test_a_certificate_of_nobody_we_trust(
    net: Lying, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """That of the test server, for a door with the certificates of the system."""
    monkeypatch.setattr(http_door, "RULES", Rules(loopback=True))
    with pytest.raises(FetchError, match="certificate is not to be trusted"):
        fetch(order(net.url("deflate.tif")), tmp_path / "dem.tif", lambda _: True, Budget())
    assert net.log == []


def test_a_certificate_of_another_host(net: Lying, tmp_path: Path) -> None:
    url = net.url("deflate.tif", host="wrong.test")
    with pytest.raises(FetchError, match=r"wrong\.test.*certificate.*[Hh]ostname mismatch"):
        fetch(order(url), tmp_path / "dem.tif", lambda _: True, Budget())
    assert net.log == []


def test_the_context_of_the_system_checks_names_and_is_not_old() -> None:
    context = http_door._system_context()
    assert context.check_hostname
    assert context.verify_mode == ssl.CERT_REQUIRED
    assert context.minimum_version >= ssl.TLSVersion.TLSv1_2
    assert not context.keylog_filename


def test_a_name_is_looked_up_once(
    net: Lying, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A name that turns inward after it was checked leads nowhere else."""
    asked: list[str] = []
    real = http_door.socket.getaddrinfo

    def look_up(host: str, port: int, *args: object, **given: object) -> object:
        if host == "data.test":
            asked.append(host)
            if len(asked) > 1:
                return real("inner.test", port, *args, **given)
        return real(host, port, *args, **given)

    monkeypatch.setattr(http_door.socket, "getaddrinfo", look_up)
    url = net.url("deflate.tif", "brokenonce")
    fetch(order(url), tmp_path / "dem.tif", lambda _: True, Budget())
    assert asked == ["data.test"]


def test_what_is_sent_names_nobody(net: Lying, tmp_path: Path) -> None:
    """No cookie, no referrer, no name of a machine or user."""
    fetch(order(net.url("deflate.tif")), tmp_path / "dem.tif", lambda _: True, Budget())
    sent = {key for _, headers in net.log for key in headers}
    assert sent == {"Host", "Accept-Encoding", "User-Agent", "Range", "If-Match"}
    assert {headers["User-Agent"] for _, headers in net.log} == {"lotflow"}
    assert {headers["Accept-Encoding"] for _, headers in net.log} == {"identity"}


@pytest.mark.parametrize(("answer", "fetched"), [("y\n", True), ("n\n", False), ("\n", False)])
def test_a_terminal_is_asked_once_for_each_host(
    net: Lying, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, answer: str, fetched: bool
) -> None:
    monkeypatch.setattr(command, "_is_terminal", lambda: True)
    out = tmp_path / "dem.tif"
    ran = CliRunner().invoke(
        commands,
        ["fetch", "--url", net.url("deflate.tif"), "-o", str(out), "--margin", "30",
         "--bbox", "-77.0665,38.8246,-77.0660,38.8250"],
        input=answer,
    )  # fmt: skip
    assert ran.output.count("Connect to data.test:") == 1
    assert out.exists() is fetched
    assert bool(net.connections) is fetched
