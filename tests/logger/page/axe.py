"""A general accessibility rule engine (axe-core), run in a page that a browser shows.

The script comes out of a test dependency that carries it, and is evaluated over the debugging pipe: the
page's content security policy stays as it is, and nothing is fetched. What the rules are is the engine's own
matter: all those of WCAG 2.0, 2.1 and 2.2 at levels A and AA.
"""

from __future__ import annotations

import json
from importlib.resources import files

from tests.logger.page.browser import Browser

RULES = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa")
LEAST_RULES = 10
"""A page on which fewer rules found something to judge was not really looked at."""


def script() -> str:
    """Return the text of the engine."""
    return (files("selenium_axe_python") / "axe-core" / "axe.min.js").read_text(encoding="utf-8")


def violations(browser: Browser, *, contrast: bool = True) -> list[str]:
    """Rules that the page shown breaks: what each wants, and where; empty if all is well.

    Everything folded is opened first: the engine judges only what is shown. Without `contrast` the one rule
    that takes almost all the time is left out.
    """
    if not browser.ask("typeof axe === 'object'"):
        browser.ask(script() + "; true")
    found = browser.ask(
        f"""document.querySelectorAll("details").forEach((d) => {{ d.open = true; }});
        axe.run(document, {{
          runOnly: {json.dumps(RULES)}, resultTypes: ["violations"], preload: false,
          rules: {{"color-contrast": {{enabled: {json.dumps(contrast)}}}}},
        }}).then((r) => ({{
          judged: r.passes.length,
          broken: r.violations.map((v) => [v.id + ": " + v.help, ...v.nodes.slice(0, 3).map(
            (n) => [...n.target, n.html.slice(0, 120), n.failureSummary].join(" "))].join("\\n    ")),
        }}))"""
    )
    assert found["judged"] >= LEAST_RULES, f"only {found['judged']} rules had something to judge"
    broken: list[str] = found["broken"]
    return broken
