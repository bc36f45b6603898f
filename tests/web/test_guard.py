"""The door: loopback names only, writes only from the page itself, nothing from elsewhere in the page."""

from __future__ import annotations

import pytest


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example:8642", "", "192.168.1.5:8642", "localhost.evil"])
def test_another_host_is_turned_away(client, host):
    answer = client("GET", "/", host=host)
    assert answer.status == 403
    assert "127.0.0.1" in answer.text


@pytest.mark.parametrize("host", ["127.0.0.1:8642", "localhost:9", "[::1]:8642", "localhost"])
def test_loopback_names_are_served(client, host):
    assert client("GET", "/", host=host).status == 200


@pytest.mark.parametrize("headers", [{"origin": "http://evil.example"}, {"origin": "null"}, {"cookie": ""},
                                     {"cookie": "bothheads=wrong"}, {"origin": "http://127.0.0.1:1"}])
def test_a_write_from_elsewhere_is_turned_away(fresh, multipart, headers):
    body, kind = multipart({"name": "Tom", "diameter_in": "12", "depth_in": "8", "batter_rods": "6", "resonant_rods": "6"})
    answer = fresh("POST", "/drums", body=body, content_type=kind, **headers)
    assert answer.status == 403
    assert "Tom" not in fresh("GET", "/").text


def test_an_upload_larger_than_allowed_is_turned_away_unread(client):
    answer = client("POST", "/drums", content_length=str(2 << 30))
    assert answer.status == 403
    assert "larger than 1 GB" in answer.text


def test_every_page_says_that_nothing_may_come_from_elsewhere(client):
    for url in ("/", "/drums/1", "/drums/1/history", "/nothing", "/static/js/ladder.js"):
        policy = client("GET", url).headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy


def test_the_pages_hold_no_inline_script_style_or_foreign_address(client):
    for url in ("/", "/drums/1", "/drums/1?batter=-2", "/drums/1/history?over=1,3", "/drums/1/plan", "/drums/1/blind",
                "/drums/1/turn?batter=1", "/drums/1/rods"):
        text = client("GET", url).text
        assert "<style" not in text, url
        assert " style=" not in text, url
        assert " on" + "click=" not in text, url
        assert text.count("<script") == text.count("<script type=\"module\" src=\"/static/js/"), url
        outside = [w for w in text.split('"') if w.startswith(("http:", "https:", "//")) and "www.w3.org" not in w]
        assert not outside, url


def test_the_log_s_own_words_are_escaped(client):
    text = client("GET", "/drums/1/history").text
    assert "&lt;b&gt;as it came&lt;/b&gt;" in text
    assert "<b>as it came" not in text
