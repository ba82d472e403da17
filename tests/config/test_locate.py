"""Lines of keys: every leaf of a generated document carries a number that occurs once in the text."""

import tomllib

from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.config.locate import locate

KEYS = st.sampled_from(["a", "b-1", '"c d"', "'e.f'", '"g\\u0041\\"h"', "i"])
FILLERS = st.sampled_from(["", "# [no.table]\n", "\n", '  # k = "v\n'])
LONG = ['"""\n[x]\na = 1\n"""', "'''\n]]\n'''", '"""a\\"""b"""', "''''q''''", '"a # b"', "'[ # '", '"\\\\"', '""']


class Writer:
    """Writes TOML and remembers on which line it put what."""

    def __init__(self, draw):
        self.draw = draw
        self.text = ""
        self.count = 0

    def number(self):
        self.count += 1
        return str(70_000_000 + self.count)

    def value(self, depth):
        kind = self.draw(st.sampled_from(["number", "long", "list", "table"] if depth < 3 else ["number", "long"]))
        if kind == "number":
            self.text += self.number()
        elif kind == "long":
            self.text += self.draw(st.sampled_from(LONG))
        elif kind == "list":
            self.text += "["
            for _ in range(self.draw(st.integers(0, 3))):
                self.text += self.draw(st.sampled_from(["", "\n", "\n# ]\n", " "]))
                self.value(depth + 1)
                self.text += self.draw(st.sampled_from([",", " ,", "\n,"]))
            self.text += "]"
        else:
            self.text += "{"
            keys = self.draw(st.lists(KEYS, unique=True, max_size=3))
            for number, key in enumerate(keys):
                self.text += (", " if number else " ") + key + " = "
                self.value(depth + 1)
            self.text += " }"

    def pairs(self):
        for key in self.draw(st.lists(KEYS, unique=True, max_size=3)):
            self.text += self.draw(FILLERS) + key + self.draw(st.sampled_from([" = ", "=", " . deep = ", '."x".y=']))
            self.value(0)
            self.text += self.draw(st.sampled_from(["\n", "  # end\n", "\n\n"]))


@st.composite
def documents(draw):
    writer = Writer(draw)
    writer.pairs()
    for number in range(draw(st.integers(0, 3))):
        head = draw(st.sampled_from(["[t{}]", "[t{}.sub]", "[[many]]", "[many.inner{}]", "[ t{} . 'q r' ]"]))
        if head.startswith("[many") and "[[many]]" not in writer.text:
            writer.text += "[[many]]\n"
        writer.text += head.format(number) + "\n"
        writer.pairs()
    return writer.text


def leaves(value, path=()):
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, (*path, key))
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            yield from leaves(inner, (*path, number))
    else:
        yield path, value
    if path:
        yield path, None


@settings(max_examples=100, deadline=None)
@given(text=documents())
def test_every_key_is_found_and_every_number_stands_on_its_line(text):
    lines = locate(text)
    rows = text.split("\n")

    for path, value in leaves(tomllib.loads(text)):
        assert path in lines, path
        if isinstance(value, int):
            assert str(value) in rows[lines[path] - 1]


def test_a_small_document_by_hand():
    text = 'a = 1\n[b."c d"]\ne = [\n  1,\n  { f = 2 },\n]\n[[g]]\n[g.h]\ni = """\n\n"""\n[[g]]\nj.k = 1\n'

    assert locate(text) == {
        ("a",): 1, ("b",): 2, ("b", "c d"): 2, ("b", "c d", "e"): 3, ("b", "c d", "e", 0): 4, ("b", "c d", "e", 1): 5,
        ("b", "c d", "e", 1, "f"): 5, ("g",): 7, ("g", 0): 7, ("g", 0, "h"): 8, ("g", 0, "h", "i"): 9,
        ("g", 1): 12, ("g", 1, "j"): 13, ("g", 1, "j", "k"): 13,
    }  # fmt: skip
