"""Foreign text as markup."""

import pytest

from farmwatch.report.svg import safe, whole


def test_foreign_text_is_shown_letter_by_letter():
    assert safe('<b a="1">') == "&lt;b a=&#34;1&#34;&gt;"


@pytest.mark.parametrize(
    ("text", "markup"),
    [
        ("the worst is heron-01 with", 'the worst is <span class="whole">heron-01</span> with'),
        ("no hyphen <here>", "no hyphen &lt;here&gt;"),
        ("a-<b>", '<span class="whole">a-&lt;b&gt;</span>'),
        ("a-very-long-name-that-must-break", "a-very-long-name-that-must-break"),
        ("-3.1", "-3.1"),
        ("", ""),
    ],
)
def test_a_short_name_with_a_hyphen_is_kept_whole(text: str, markup: str):
    assert whole(text) == markup
