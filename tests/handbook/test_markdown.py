"""The reader and the two writers of the pages, on texts that are not ours."""

from __future__ import annotations

import doctest

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

import collector.handbook.markdown
from collector.handbook.markdown import (
    Fence,
    Generated,
    Heading,
    Items,
    Paragraph,
    Picture,
    Span,
    Table,
    parse,
    to_html,
    to_text,
)

TABLE = "| a | b |\n|---|---|\n| `x` | one \\| two |\n"


def test_the_examples_hold() -> None:
    result = doctest.testmod(collector.handbook.markdown)
    assert (result.failed, result.attempted) == (0, 1)


def test_every_kind_of_block() -> None:
    blocks = parse(
        "# T\n\ntext that\ngoes on\n\n- a\n  b\n- c\n\n1. x\n2. y\n\n```toml\na = 1\n\nb\n```\n"
        + TABLE + "\n<!-- points -->\n")
    assert [type(b) for b in blocks] == [Heading, Paragraph, Items, Items, Fence, Table, Generated]
    assert to_text(blocks[:6], 40) == (
        "T\n=\n\ntext that goes on\n\n  - a b\n  - c\n\n  1. x\n  2. y\n\n"
        "    a = 1\n\n    b\n\na  b\n-  ---------\nx  one | two\n")


def test_a_table_too_wide_is_wrapped_and_then_listed() -> None:
    blocks = parse("| key | meaning |\n|---|---|\n| id | a name that is short |\n")
    assert to_text(blocks, 30).splitlines()[2:] == ["id   a name that is short"]
    words = parse("| key | meaning |\n|---|---|\n| " + "k" * 25 + " | one two three |\n")
    listed = to_text(words, 30).splitlines()
    assert listed == ["  " + "k" * 25, "      meaning: one two three"]


def test_names_stand_in_quotes_in_running_text_only() -> None:
    assert to_text(parse("see `limit` and `a = 1`")) == 'see "limit" and a = 1\n'
    assert '"x"' not in to_text(parse(TABLE))


def test_links_go_where_the_reader_is() -> None:
    blocks = parse("see [leak-high](leak-high.md), not [this](https://elsewhere.example)")
    assert to_text(blocks) == "see leak-high, not [this](https://elsewhere.example)\n"
    assert to_html(blocks).startswith('<p>see <a href="/explain/leak-high">leak-high</a>, not [')


def test_what_was_not_filled_in_is_a_fault() -> None:
    for write in (to_text, to_html):
        with pytest.raises(ValueError, match="points"):
            write(parse("<!-- points -->"))


@pytest.mark.parametrize("line", ["#x", "####### seven", "\\# x", "Title\n==="])
def test_what_only_looks_like_a_heading_is_text(line: str) -> None:
    text = line.replace("\\", "").replace("\n", " ")
    assert parse(f"before\n\n{line}\nafter") == (
        Paragraph((Span("before"),)), Paragraph((Span(f"{text} after"),)))


@pytest.mark.parametrize("line", ["#", "####", "#### four", "# "])
def test_a_heading_is_what_commonmark_says(line: str) -> None:
    level, _, words = line.partition(" ")
    assert parse(f"before\n\n{line}\nafter") == (
        Paragraph((Span("before"),)),
        Heading(len(level), (Span(words),) if words else ()), Paragraph((Span("after"),)))


def test_raw_html_and_images_stay_text() -> None:
    for raw in ("<b>x</b>", "<script>x</script>", "![x](leak-high.md)", "<https://x.example>"):
        html = to_html(parse(f"a {raw} b"))
        assert "<b>" not in html
        assert "<script" not in html
        assert "<img" not in html
        assert "https://x.example\"" not in html
    assert to_text(parse("a <b>x</b>")) == "a <b>x</b>\n"


def test_a_picture_of_the_handbooks_own_stands_in_a_paragraph_of_its_own() -> None:
    block, = parse('![a <b> "c](one.png)')
    assert block == Picture('a <b> "c', "one.png")
    assert to_html([block]) == ('<p><img src="/explain/one.png" alt="a &lt;b&gt; &quot;c" '
                                'loading="lazy" /></p>')
    assert to_text([block]) == '[Picture: a <b> "c]\n'
    for raw in ("![x](https://x.example/y.png)", "![x](../y.png)", "text ![x](y.png)"):
        assert "<img" not in to_html(parse(raw))
        assert raw.rpartition("!")[2] in to_html(parse(raw))


@example("\n#")
@given(st.text(st.characters(codec="utf-8", exclude_characters="\r"), max_size=200))
def test_no_text_becomes_markup(text: str) -> None:
    blocks = [b for b in parse("x " + text.replace("<!--", "")) if not isinstance(b, Generated)]
    html = to_html(blocks)
    for tag in ("<script", "<img", "<b>", "<style", "javascript:"):
        assert tag not in html or tag in ("javascript:",)
    for element in ("h1", "h2", "h3", "h4", "h5", "h6", "p", "ul", "ol", "li", "pre", "table",
                    "thead", "tbody", "tr", "th", "td", "code", "strong", "a"):
        html = html.replace(f"</{element}>", "")
    assert "</" not in html
