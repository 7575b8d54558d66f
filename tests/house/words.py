"""The private words that the field's own replace, and where in a tree they are still found."""

from __future__ import annotations

import ast
import html
import re
from collections.abc import Iterator
from pathlib import Path

IN_NAMES = frozenset((
    "aside", "book", "books", "calling", "clerk", "clockwork", "cyclestate", "deed", "deeds",
    "desk", "desks", "door", "doorkeeper", "doors", "eased", "finding", "findings", "foresight",
    "gasbooks", "gathering", "hearer", "hearers", "hears", "hole", "holes", "judge", "judged",
    "judging", "keeper", "lane", "lanes", "ledger", "outward", "patience", "refusals", "runweight",
    "sheet", "slot", "slots", "standing", "stands", "subjects", "tally", "tankheat", "tell",
    "teller", "tells", "told", "untold", "unwired", "verdict", "verdicts", "watch", "watched",
    "wired",
))
"""No part of the name of a module, class, function, argument, variable or attribute."""

WHOLE_NAMES = frozenset((
    "Alarm" "Book", "Alarm" "Moved", "Asks", "Fact" "Noted", "due", "hold", "holds", "note",
    "observe_many", "quiet", "stand", "take",
))
"""Not the whole name of a function or class; a part of a longer one (``service_due``) is good."""

MODULES = frozenset((
    "answers", "asking", "asks", "explain", "falls", "figures", "guard", "hub_claims", "hub_intake",
    "hub_numbers", "kinds", "marks", "mistakes", "past", "shape",
))
"""Not the name of a module."""

SAVED = "key of the saved state in journals: a new name would lose it at an upgrade"
PHYSICAL = "a hole in a simulated pipe, which gas leaves by"
EXCEPTED = {
    ("domain/readings.py", "take"): "numpy's word for the same thing",
    ("rules/energy.py", "told_at"): SAVED,
    ("rules/running.py", "told_at"): SAVED,
    ("rules/oxygen.py", "verdict"): SAVED,
    ("rules/oxygen.py", "verdict_at"): SAVED,
    ("rules/purge_estimates.py", "told"): SAVED,
    ("rules/weak.py", "judged_at"): SAVED,
    ("api/schemas.py", "not_watched"): "JSON key of /api/v1/status",
    ("api/schemas.py", "fire_watch"): "the trade's term, and a JSON key",
    ("pages/message_link_page.py", "style_sheet"): "the word of CSS",
    ("family/columns.py", "V_HOLE"): PHYSICAL,
    ("family/disturbances.py", "hole"): PHYSICAL,
    ("family/faults_gas.py", "hole"): PHYSICAL,
    ("family/stepping.py", "hole"): PHYSICAL,
    ("simulators/generator.py", "hole"): PHYSICAL,
    ("simulators/pipe.py", "hole"): PHYSICAL,
}
"""Names that stay: the end of the path and the name, with the reason."""

DOCSTRINGS = re.compile(
    r"\b(?:deeds?|hearers?|foresight|clerk|doorkeeper|untold|anew|nobody|somebody"
    r"|whoever|verdicts?|gas ?books|is told|are told|was told|were told|been told|not watched"
    r"|the watch|far end|out of reach|set aside|passed over|alarm book)\b", re.IGNORECASE)
"""Words of a docstring that have one meaning, the private one."""

QUESTION = re.compile(r"(?:What|Who|Whom|Whose|Where|How|Why|When|Until when|Since when)\b")
"""First words of a docstring that is a question made a noun."""

SCREENS = re.compile(
    r"(?i:\bwhat first\b|conditions? (?:is|are) not normal|nothing asks for|everything is heard"
    r"|quieted|\bin force now\b|watch sheet|to the sheet|as it is piped|entries of the last"
    r"|leave it out|not begun\b|\btype it in\b|measures of the alarms|another password"
    r"|the new one again|with its figures|after a rest of|it explains, and|supervises for"
    r"|were had and|is yours to see|nothing stands|gone stale|one of ours|itself excluded"
    r"|laid on that|\btold\b(?! apart)|\buntold\b|\banew\b|nobody (?:more|is called|was called)"
    r"|\bwhoever\b|\bout of reach\b"
    r"|\bfar end\b|\bset aside\b|\bnot watched\b|\bthe watch\b|\bverdict"
    r"|\bconditions? standing\b|\bstanding now\b)|\bDEED\b")
"""Words that no page, message or help shows."""


def _parts(name: str) -> list[str]:
    return [w.lower() for w in re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+", name)]


def _names(tree: ast.AST) -> Iterator[tuple[int, str, bool]]:
    """Every name that the code itself chose: line, name, whether of a function or class."""
    for node in ast.walk(tree):
        match node:
            case ast.ClassDef(name=name) | ast.FunctionDef(name=name) \
                    | ast.AsyncFunctionDef(name=name):
                yield node.lineno, name, True
            case ast.arg(arg=name) | ast.Name(id=name, ctx=ast.Store()) \
                    | ast.Attribute(attr=name, ctx=ast.Store()):
                yield node.lineno, name, False
            case ast.alias(asname=str(name)):
                yield node.lineno, name, False


def bad_names(path: Path, text: str) -> list[str]:
    """Return the left-hand words in the names of a module."""
    def wrong(name: str, whole: frozenset[str]) -> bool:
        return bool(IN_NAMES & set(_parts(name)) or name.strip("_") in whole) and not (
            name.startswith("__") or any(
                path.as_posix().endswith(end) and name == other for end, other in EXCEPTED))

    found = [f"{path}: module"] if wrong(path.stem, MODULES) else []
    return found + [f"{path}:{line}: {name}" for line, name, function in _names(ast.parse(text))
                    if wrong(name, WHOLE_NAMES if function else frozenset())]


def docstrings(text: str) -> Iterator[tuple[int, str, str]]:
    """Every docstring of a module: its line, whose it is, its text."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            said = ast.get_docstring(node)
            if said:
                yield getattr(node, "lineno", 1), getattr(node, "name", "module"), said


def bad_docstrings(path: Path, text: str) -> list[str]:
    """Return the docstrings that use a left-hand word, or begin as a question."""
    return [f"{path}:{line}: {name}: {said.splitlines()[0]}" for line, name,
            said in docstrings(text)
            if DOCSTRINGS.search(said) or QUESTION.match(said)]


def shown_strings(text: str) -> Iterator[tuple[int, str]]:
    """Every string of a module that is no docstring and no identifier."""
    tree = ast.parse(text)
    silent = {id(node.value) for node in ast.walk(tree)
              if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) \
                and id(node) not in silent and " " in node.value:
            yield node.lineno, node.value


def bad_strings(path: Path, text: str) -> list[str]:
    """Return the strings of a module that show a left-hand word; SQL is excepted."""
    return [f"{path}:{line}: {said[:90]!r}" for line, said in shown_strings(text)
            if SCREENS.search(said) and not re.match(r"\s*(?:CREATE TABLE|INSERT INTO)", said)]


def screen_text(page: str) -> str:
    """Return what a person reads of HTML or Markdown: no tags, template code or code spans."""
    text = re.sub(r"<(style|script)\b.*?</\1>|\{[%#].*?[%#]\}|\{\{.*?\}\}", " ", page,
                  flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]*>|```.*?```|`[^`]*`", " ", text, flags=re.DOTALL))
