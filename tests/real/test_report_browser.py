"""
The report page in a real browser: it runs clean, by keyboard, and is open to everybody.

axe-core (npm registry) is the judge of WCAG 2.2 A and AA; Chromium is the judge of the rest.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import tarfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.app import planning
from robokit_plan.cli._app import run
from tests.casebook import write_case
from tests.cli.conftest import CASE, FrozenWorld
from tests.real.webdriver import Browser, browser, missing
from tests.render.test_report import REPORT, made, marked

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(bool(missing()), reason=missing() or "a browser is here"),
]

ROOT = Path(__file__).parents[2]
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


@pytest.fixture(scope="module")
def chrome(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with browser(tmp_path_factory.mktemp("chrome")) as one:
        yield one


@pytest.fixture(scope="module")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Return the source of axe-core, packed by npm's own client."""
    if shutil.which("npm") is None:
        pytest.skip("npm is not installed, so axe-core cannot be had")
    folder = tmp_path_factory.mktemp("axe")
    packed = subprocess.run(
        ["npm", "pack", "--silent", "axe-core@4"],
        cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if packed.returncode:
        pytest.skip(f"the npm registry has no answer: {packed.stderr.strip()[-200:]}")
    (archive,) = folder.glob("axe-core-*.tgz")
    with tarfile.open(archive) as opened:
        source = opened.extractfile("package/axe.min.js")
        assert source is not None
        return source.read().decode("utf-8")


@pytest.fixture(scope="module")
def dinghy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the page of the small robot of tests/cli, its rows frozen."""
    folder = tmp_path_factory.mktemp("dinghy")
    write_case(CASE, folder)
    return page_of_robot(folder, tmp_path_factory.mktemp("cache"), "report-dinghy.html")


@pytest.fixture(scope="module")
def heron(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the page of the sample robot, its hardware whole, on an index that has nothing."""
    folder = tmp_path_factory.mktemp("heron") / "sample"
    shutil.copytree(ROOT / "sample_robot", folder)
    return page_of_robot(folder, tmp_path_factory.mktemp("cache"), "report-heron.html")


@pytest.fixture(scope="module")
def raft(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a page made by hand: three rails, a companion, a switch that was refused."""
    path = tmp_path_factory.mktemp("raft") / "page.html"
    path.write_text(made(), "utf-8")
    return path


def page_of_robot(folder: Path, cache: Path, name: str) -> Path:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(planning, "World", FrozenWorld)
        patch.setenv("ROBOKIT_PLAN_CACHE", str(cache))
        assert run(["report", "--robot", str(folder)]) in {0, 1}
    return folder / name


@pytest.fixture
def opened(chrome: Browser, request: pytest.FixtureRequest) -> Browser:
    """Return the browser with the page that the test is parametrised with, on a wide screen."""
    path = request.getfixturevalue(getattr(request, "param", "dinghy"))
    chrome.said()
    chrome.size(1280, 900)
    chrome.scheme("light")
    chrome.open(path)
    chrome.run("localStorage.clear()")
    chrome.open(path)
    return chrome


every_page = pytest.mark.parametrize("opened", ["dinghy", "heron", "raft"], indirect=True)


def text(chrome: Browser, selector: str) -> str:
    found: str = chrome.run("return document.querySelector(arguments[0]).innerText", selector)
    return " ".join(found.split())


# --- clean ----------------------------------------------------------------------------------


@every_page
def test_it_opens_without_a_word_in_the_console_and_asks_for_nothing(opened: Browser) -> None:
    opened.requested()
    opened.run("location.reload()")
    opened.run("document.querySelectorAll('details').forEach(one => one.open = true)")
    asked = [one for one in opened.requested() if not one.startswith(("data:", "chrome:"))]
    assert all(one.startswith("file:") for one in asked), asked
    assert len(asked) == 1
    assert opened.said() == []


@every_page
@pytest.mark.parametrize("width", [320, 390, 768, 1280, 2000])
def test_nothing_sticks_out_of_a_screen(opened: Browser, width: int) -> None:
    """WCAG 2.1, 1.4.10 (reflow) names 320 CSS pixels."""
    opened.size(width, 800, phone=width < 700)
    opened.run("document.querySelectorAll('details').forEach(one => one.open = true)")
    opened.run("const one = document.querySelector('input.switch'); if (one) one.click()")
    assert opened.run("return document.documentElement.scrollWidth") <= width


def test_text_of_strangers_stays_text(chrome: Browser, tmp_path: Path) -> None:
    """A browser's own parser agrees: no element, no dialog, no word in the console."""
    from dataclasses import replace

    prefix = "</script><img src=x onerror=alert(1)><!--\"'>"
    hostile = replace(
        REPORT,
        plan=marked(REPORT.plan, prefix),
        robot=marked(REPORT.robot, prefix),
        toggles=tuple(marked(one, prefix) for one in REPORT.toggles),
    )
    path = tmp_path / "page.html"
    path.write_text(made(hostile), "utf-8")
    chrome.said()
    chrome.open(path)
    assert chrome.run("return document.images.length") == 0
    chrome.run("document.querySelectorAll('input.switch')[1].click()")
    assert prefix in chrome.run("return document.querySelector('.panel').textContent")
    chrome.run("document.querySelectorAll('input.switch')[0].click()")
    assert chrome.run("return document.images.length") == 0
    assert chrome.said() == []


# --- open to everybody ----------------------------------------------------------------------


@every_page
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_axe_finds_nothing_against_it(opened: Browser, axe: str, scheme: str, width: int) -> None:
    """As it opens, then with every part unfolded and a switch turned."""
    opened.scheme(scheme)
    opened.size(width, 900, phone=width < 700)
    opened.run(axe)
    found = violations(opened)
    opened.run("document.querySelectorAll('details').forEach(one => one.open = true)")
    opened.run("const all = document.querySelectorAll('input.switch'); all[all.length - 1].click()")
    found += violations(opened)
    assert found == []


def violations(chrome: Browser) -> list[str]:
    tags = [*WCAG, "best-practice"]
    answer: dict[str, Any] = chrome.wait_for(
        "axe.run(document, {runOnly: arguments[0]}).then(arguments[1])", tags
    )
    assert answer["passes"], "axe looked at nothing"
    return [
        f"{one['id']}: {one['help']}: {node['html'][:150]}"
        for one in answer["violations"]
        for node in one["nodes"]
    ]


@every_page
def test_every_control_is_reached_by_tab_and_shows_where_one_is(opened: Browser) -> None:
    """WCAG 2.1, 2.1.1 (keyboard), 2.4.7 (focus visible): in page order, forth and to the end."""
    opened.run(
        """
        document.querySelectorAll('details').forEach(one => one.open = true);
        window.want = [...document.querySelectorAll(
            'a[href], button, input, summary, [tabindex="0"]')].filter(one => one.checkVisibility());
        """
    )
    count = opened.run("return want.length")
    met = []
    for _ in range(count):
        opened.press("Tab")
        at, outline = opened.run(
            "const one = document.activeElement;"
            "return [want.indexOf(one), getComputedStyle(one).outlineStyle]"
        )
        assert outline == "solid", at
        met.append(at)
    assert met == list(range(count))


def focus(chrome: Browser, selector: str) -> None:
    chrome.run("document.querySelector(arguments[0]).focus()", selector)


def test_switches_ticks_folds_and_links_work_by_keyboard(opened: Browser) -> None:
    focus(opened, "[data-name=mast]")
    opened.press("Space")
    assert text(opened, "#switch-says").startswith("mast on: cannot be built")
    focus(opened, "#switch-back")
    opened.press("Enter")
    assert text(opened, "#switch-says").startswith("Turn a switch")
    assert opened.run("return document.activeElement.id") == "switched"

    focus(opened, "input.wire")
    opened.press("Space")
    assert text(opened, "#wired") == "1 of 2 done"
    focus(opened, "#untick")
    opened.press("Enter")
    assert text(opened, "#wired") == "0 of 2 done"

    focus(opened, "#plugin-leak summary")
    opened.press("Enter")
    assert opened.run("return document.querySelector('#plugin-leak details').open")
    focus(opened, "#plugin-leak a[href='#dist-alpha']")
    opened.press("Enter")
    assert opened.run("return document.querySelector(':target').id") == "dist-alpha"
    focus(opened, "#dist-alpha a[href='#dist-gamma']")
    opened.press("Enter")
    assert opened.run("return document.querySelector(':target').id") == "dist-gamma"
    focus(opened, "#dist-gamma a[href='#dist-alpha']")
    opened.press("Enter")
    focus(opened, "#dist-alpha a[href='#plugin-leak']")
    opened.press("Enter")
    assert opened.run("return document.querySelector(':target').id") == "plugin-leak"
    focus(opened, ".skip")
    opened.press("Enter")
    assert opened.run("return document.activeElement.id") == "contents"
    assert opened.said() == []


def test_what_a_switch_changes_is_told_to_a_screen_reader(opened: Browser) -> None:
    """The browser's own tree of accessible objects: role, name and state."""
    opened.cdp("Accessibility.enable")
    focus(opened, "[data-name=mast]")

    def node(selector: str) -> dict[str, Any]:
        opened.cdp("DOM.getDocument")
        handle = opened.cdp(
            "Runtime.evaluate", expression=f"document.querySelector({json.dumps(selector)})"
        )
        found: dict[str, Any] = opened.cdp(
            "Accessibility.getPartialAXTree",
            objectId=handle["result"]["objectId"], fetchRelatives=False,
        )["nodes"][0]  # fmt: skip
        return found

    switch = node("[data-name=mast]")
    assert switch["role"]["value"] == "switch"
    assert switch["name"]["value"] == "mast enabled"
    state = {one["name"]: one["value"].get("value") for one in switch["properties"]}
    assert state["checked"] == "false"
    opened.press("Space")
    says = node("#switch-says")
    assert says["role"]["value"] == "status"
    box = node("input.wire")
    assert box["name"]["value"] == "done: leak.float signal to position 11 (gpio17)"


# --- switches -------------------------------------------------------------------------------

READ = """
return [...document.querySelectorAll('#switch-shows .finding')].map(
    one => [one.dataset.rule, one.dataset.message]).sort()
"""


@pytest.mark.parametrize("name", ["horn", "leak", "log", "mast"])
def test_a_switch_shows_the_findings_of_check(
    opened: Browser, name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.setattr(planning, "World", FrozenWorld)
    monkeypatch.setenv("ROBOKIT_PLAN_CACHE", str(tmp_path / "cache"))
    folder = tmp_path / "dinghy"
    folder.mkdir()
    write_case(CASE, folder)
    verb = "disable" if name in {"horn", "leak"} else "enable"
    run([verb, name, "--robot", str(folder), "--yes"])
    capsys.readouterr()
    status = run(["check", "--robot", str(folder), "--json"])
    checked = json.loads(capsys.readouterr().out)

    opened.run(f"document.querySelector('[data-name={name}]').click()")
    assert opened.run(READ) == sorted([one["rule"], one["message"]] for one in checked["findings"])
    says = text(opened, "#switch-says")
    assert ("cannot be built" in says) is (status == 1)
    assert f"robokit-plan {verb} {name}" in text(opened, "#switch-shows")


def test_a_switch_shows_the_install_diff(opened: Browser) -> None:
    """`log` asks for beta, which holds alpha below 2; gamma was alpha's and goes."""
    opened.run("document.querySelector('[data-name=log]').click()")
    rows = opened.run(
        "return [...document.querySelectorAll('.changes td')].map(one => one.innerText)"
    )
    assert [rows[at : at + 3] for at in range(0, len(rows), 4)][:4] == [
        ["log", "none", "1.0"],
        ["alpha", "2.0", "1.0"],
        ["beta", "none", "2.1"],
        ["gamma", "0.3", "none"],
    ]


def test_several_switches_name_their_commands(opened: Browser) -> None:
    for name in ("horn", "log"):
        opened.run(f"document.querySelector('[data-name={name}]').click()")
    assert text(opened, "#switch-says") == "horn off, log on: ask robokit-plan"
    opened.run("document.querySelector('[data-name=mast]').click()")
    shown = text(opened, "#switch-shows")
    assert "robokit-plan disable horn" in shown
    assert "robokit-plan enable log mast" in shown
    assert text(opened, "#switch-says").endswith("cannot be built, 1 collision")
    assert "gpio17 is claimed twice" in shown
    opened.run("document.querySelector('[data-name=leak]').click()")
    assert text(opened, "#switch-says").endswith("mast on: ask robokit-plan")
    opened.run("document.querySelector('#switch-back').click()")
    assert opened.run("return document.querySelectorAll('.turned').length") == 0


@pytest.mark.parametrize("opened", ["raft"], indirect=True)
def test_a_switch_that_was_refused_says_why(opened: Browser) -> None:
    opened.run("document.querySelector('[data-name=shy]').click()")
    shown = text(opened, "#switch-shows")
    assert "the index did not answer" in shown
    assert "robokit-plan enable shy --dry-run" in shown


# --- ticks and paper -------------------------------------------------------------------------


@pytest.mark.parametrize("opened", ["heron"], indirect=True)
def test_ticks_are_kept_when_the_page_is_opened_again(opened: Browser, heron: Path) -> None:
    opened.run(
        "const all = document.querySelectorAll('input.wire'); all[0].click(); all[5].click()"
    )
    before = text(opened, "#wired")
    assert before.startswith("2 of ")
    opened.open(heron)
    assert text(opened, "#wired") == before
    kept = opened.run(
        "return [...document.querySelectorAll('input.wire')].flatMap((one, at) =>"
        " one.checked ? [at] : [])"
    )
    assert kept == [0, 5]
    opened.run("document.querySelector('#untick').click()")
    opened.open(heron)
    assert text(opened, "#wired").startswith("0 of ")


def test_a_browser_that_keeps_nothing_still_lets_one_tick(opened: Browser, dinghy: Path) -> None:
    """Some browsers refuse storage to local files."""
    refusing = opened.cdp(
        "Page.addScriptToEvaluateOnNewDocument",
        source="Object.defineProperty(window, 'localStorage', {get() { throw new Error('no') }})",
    )
    try:
        opened.open(dinghy)
        opened.run("document.querySelector('input.wire').click()")
        assert text(opened, "#wired") == "1 of 2 done"
        assert opened.said() == []
    finally:
        opened.cdp("Page.removeScriptToEvaluateOnNewDocument", **refusing)


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")
@pytest.mark.parametrize("opened", ["heron"], indirect=True)
def test_on_paper_nothing_stays_folded(opened: Browser, tmp_path: Path) -> None:
    paper = tmp_path / "page.pdf"
    paper.write_bytes(opened.print_pdf())
    shown = subprocess.run(
        ["pdftotext", "-layout", paper, "-"], capture_output=True, text=True, check=True
    ).stdout
    for told in ("done", "position 3", "loads on main-5v", "thrusters.thruster", "group i2c"):
        assert told in shown, told
    assert "If you switch" not in shown
