from __future__ import annotations

import json
import re
from html.parser import HTMLParser

import pytest

from analysis.finding import Finding
from logger.page import app
from logger.page.guard import Limits, cookie_for
from tests.logger.made import Place
from tests.logger.page.client import MakeClient

GIVEN = "a-token-of-some-length"
PAGES = ("/", "/findings", "/reports")


@pytest.mark.parametrize("path", PAGES)
def test_every_page_is_whole_html(make_client: MakeClient, path: str) -> None:
    answer = make_client().get(path)
    assert answer.status == 200
    assert answer.headers["content-type"].startswith("text/html")
    open_tags: list[str] = []

    class Nesting(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            del attrs
            if tag not in {"meta", "link", "br", "input"}:
                open_tags.append(tag)

        def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            pass

        def handle_endtag(self, tag: str) -> None:
            assert open_tags.pop() == tag

    Nesting().feed(answer.text)
    assert not open_tags
    assert "Hill &lt;orchard&gt;" in answer.text
    assert "style=" not in answer.text


def test_the_very_first_page_shows_both_packs_with_their_cells_and_the_day(
    make_client: MakeClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without patience at all: the curves were read before anybody could ask, and no script adds them."""
    monkeypatch.setattr(app, "PATIENCE_S", 0.0)
    text = make_client().get("/").text
    for wanted in ("Pack A", "Pack B", "Read 0 s ago", "Cells in order", "Today, hour by hour", "18:30:00"):
        assert wanted in text
    assert text.count('class="curve"') == 6
    assert text.count("<polygon") >= 6


@pytest.mark.parametrize("path", [*PAGES, "/style.css", "/page.js", "/nothing"])
def test_every_answer_carries_the_strict_policy(make_client: MakeClient, path: str) -> None:
    headers = make_client().get(path).headers
    assert headers["content-security-policy"].startswith(
        "default-src 'none'; style-src 'self'; script-src 'self'"
    )
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
@pytest.mark.parametrize("path", [*PAGES, "/live", "/reports/week-2026-01-12.html"])
def test_nothing_can_be_changed(make_client: MakeClient, method: str, path: str) -> None:
    assert make_client().get(path, method=method).status == 405


def test_a_body_is_refused(make_client: MakeClient) -> None:
    assert make_client().get("/", headers={"content-length": "5"}).status == 413
    assert make_client().get("/", headers={"transfer-encoding": "chunked"}).status == 413
    assert make_client().get("/?" + "x" * 600).status == 414


def test_a_foreign_host_name_is_refused_on_loopback(make_client: MakeClient) -> None:
    client = make_client()
    assert client.get("/", host="evil.example").status == 421
    assert client.get("/", host="[::1]:8420").status == 200
    assert client.get("/", host="127.0.0.1:8420").status == 200


def test_with_a_token_nobody_gets_in_without_it(make_client: MakeClient) -> None:
    client = make_client(GIVEN)
    for path in (*PAGES, "/live", "/page.js", "/reports/week-2026-01-12.html", "/nothing"):
        answer = client.get(path)
        assert answer.status == 401
        assert "Hill" not in answer.text
    assert client.get("/style.css").status == 200


def test_the_token_in_the_address_becomes_a_cookie_at_once(make_client: MakeClient) -> None:
    client = make_client(GIVEN)
    answer = client.get(f"/findings?token={GIVEN}")
    assert answer.status == 303
    assert answer.headers["location"] == "/findings"
    assert GIVEN not in answer.headers["set-cookie"]
    assert {"HttpOnly", "SameSite=strict"} <= set(answer.headers["set-cookie"].split("; "))
    assert client.get("/findings", host="192.168.1.5:8420").status == 200


def test_a_bearer_token_serves_scripts_and_a_wrong_one_does_not(make_client: MakeClient) -> None:
    client = make_client(GIVEN)
    assert client.get("/", headers={"authorization": f"Bearer {GIVEN}"}).status == 200
    assert client.get("/", headers={"authorization": "Bearer nonsense"}).status == 401
    assert client.get("/", headers={"cookie": f"bankbook={cookie_for('other')}"}).status == 401
    assert client.get("/", headers={"cookie": "bankbook=\xff"}).status == 401


def test_guessing_tokens_is_slow(make_client: MakeClient) -> None:
    seconds = [0.0]
    client = make_client(GIVEN, Limits(burst=60, per_s=4, wrong_cost=15), seconds)
    answers = [client.get(f"/?token=guess-{i}").status for i in range(6)]
    assert answers == [401, 401, 401, 401, 429, 429]  # 60 / (1 + 15) = 3.75: the fourth empties the bucket
    seconds[0] += 16.0
    assert client.get(f"/?token={GIVEN}").status == 303


def test_a_flood_is_told_to_wait_and_others_are_not(make_client: MakeClient) -> None:
    client = make_client(None, Limits(burst=5, per_s=1))
    answers = [client.get("/style.css") for _ in range(7)]
    assert [a.status for a in answers] == [200] * 5 + [429] * 2
    assert answers[-1].headers["retry-after"] == "1"
    client.address = "192.168.1.9"
    assert client.get("/style.css").status == 200


def test_live_values_come_as_events(make_client: MakeClient) -> None:
    answer = make_client().get("/live", until=lambda body: body.count(b"event: live") >= 1)
    assert answer.headers["content-type"].startswith("text/event-stream")
    data = re.search(r"event: live\ndata: (.*)\n", answer.text)
    assert data is not None
    told = json.loads(data.group(1))
    assert told["clock"] == "18:30:00"
    assert len(told["packs"]) == 2
    assert "Cells in order" in told["packs"][0]


def test_a_head_request_to_the_events_ends(make_client: MakeClient) -> None:
    assert make_client().get("/live", method="HEAD").status == 200


def test_reports_are_listed_and_served_and_nothing_else_is(place: Place, make_client: MakeClient) -> None:
    config, _, _ = place
    page = "<!doctype html><title>w</title><style>b{color:red}</style><b>x</b>"
    (config.report_folder / "week-2026-01-12.html").write_text(page)
    (config.report_folder / "week-2026-01-12.pdf").write_bytes(b"%PDF-1.7")
    (config.report_folder / "secret.txt").write_text("no")
    (config.report_folder / "week-link.html").symlink_to(config.path)
    client = make_client()
    listed = client.get("/reports").text
    assert "The week from 12 Jan 2026" in listed
    assert "secret" not in listed
    assert "week-link" not in listed
    shown = client.get("/reports/week-2026-01-12.html")
    assert shown.text == page
    # SHA-256 of "b{color:red}", base64: printf 'b{color:red}' | openssl dgst -sha256 -binary | base64
    assert (
        "style-src 'sha256-ypIZpeWh67Lh3q46jpjGW7VCAJpmEqcFe8Dl5B2rXQU='"
        in shown.headers["content-security-policy"]
    )
    assert "script-src" not in shown.headers["content-security-policy"]
    assert client.get("/reports/week-2026-01-12.pdf").headers["content-type"] == "application/pdf"
    for wrong in ("secret.txt", "week-link.html", "..%2fbank.toml", "../bank.toml", "bank.db"):
        assert client.get(f"/reports/{wrong}").status == 404


def test_claims_are_offered_as_they_were_written(place: Place, make_client: MakeClient) -> None:
    config, _, _ = place
    folder = config.report_folder / "claim-B.2-2026-01-14"
    (folder / "days").mkdir(parents=True)
    (folder / "claim.html").write_text("<!doctype html><title>c</title>claim")
    (folder / "claim.pdf").write_bytes(b"%PDF-1.7")
    (folder / "MANIFEST.sha256").write_text("no")
    folder.with_name(folder.name + ".zip").write_bytes(b"PK")
    client = make_client()
    listed = client.get("/reports").text
    assert "The claim about pack B.2 of 14 Jan 2026" in listed
    assert client.get("/reports/claim-B.2-2026-01-14.html").text.endswith("claim")
    zipped = client.get("/reports/claim-B.2-2026-01-14.zip")
    assert zipped.headers["content-disposition"] == 'attachment; filename="claim-B.2-2026-01-14.zip"'
    for wrong in ("claim-B.2-2026-01-14", "claim-B.2-2026-01-14/MANIFEST.sha256", "MANIFEST.sha256"):
        assert client.get(f"/reports/{wrong}").status == 404


def test_findings_stand_at_the_top_and_on_their_page(place: Place, make_client: MakeClient) -> None:
    _, store, _ = place
    leak = Finding(
        "self_discharge",
        "B",
        11,
        "2026-01-08",
        "watch",
        0.93,
        22.6,
        20.4,
        24.8,
        "mA",
        "It <loses> charge.",
        "Wait.",
    )
    store.save_findings([leak])
    client = make_client()
    assert 'href="/findings#f-self_discharge-B-11"' in client.get("/").text
    page = client.get("/findings").text
    assert 'id="f-self_discharge-B-11"' in page
    assert "It &lt;loses&gt; charge." in page
    store.save_findings([])
    assert "Nothing is standing" in client.get("/findings").text
