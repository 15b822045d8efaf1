"""Hostile material: texts that try to become something else, and ways to damage bytes and text."""

from __future__ import annotations

import random

# A word that no template, library or fixture holds: wherever it turns up, it came from the case.
WORD = "zqhostilezq"

MARKUP = (
    f"<script>{WORD}()</script>",
    f"</title><script>{WORD}()</script>",
    f"</script><script>{WORD}()</script>",
    f"<!--<script>{WORD}()",
    f"<img src=x onerror={WORD}()>",
    f'" onmouseover="{WORD}()" x="',
    f"' onmouseover='{WORD}()' x='",
    f"</style><{WORD}>",
    f"</text></svg><{WORD}>",
    f"<![CDATA[<{WORD}>]]>",
    f"]]><{WORD}>",
    f"&lt;{WORD}&gt;&amp;&#x3c;{WORD}&#x3e;",
    f"<!ENTITY {WORD} SYSTEM 'file:///etc/passwd'>&{WORD};",
)
TEMPLATES = (
    f"{{{{ {WORD}.__class__.__mro__ }}}}",
    f"{{% include '/etc/passwd' %}}{WORD}",
    f"{{%- endmacro -%}}{WORD}",
    f"{{# {WORD}",
    f"{{{WORD}!r}} {{0}} {{}}",
    f"%({WORD})s %s %n",
    f"{{figure:{WORD}}}",
    f"{{table:../{WORD}}}",
)
TYPST = (
    f'#panic("{WORD}")',
    f'")\n#panic("{WORD}")\n#text("',
    f'\\") #panic("{WORD}") //',
    f'#read("/etc/passwd") {WORD}',
    f'#import "@preview/{WORD}:1.0.0": *',
    f"$ {WORD} $ @{WORD} <{WORD}> [{WORD}] *{WORD}* _{WORD}_ `{WORD}`",
    f"#{{ while true {{}} }} {WORD}",
    f"/* {WORD}",
    f"\\u{{{WORD}}}",
)
CODE = (
    f"'''); raise SystemExit('{WORD}')  # '''",
    f'""" + __import__("os").system("touch {WORD}") + """',
    f"\\'; import os; os.remove('{WORD}') #",
    f"__import__('os').system('touch {WORD}')",
    f"$(touch {WORD}) `touch {WORD}` ; touch {WORD} | touch {WORD}",
    f"x\\N{{BULLET}}\\x41\\{WORD}\\",
    f"'; DROP TABLE fish; -- {WORD}",
)
FORMULAS = (
    f'=HYPERLINK("http://127.0.0.1/{WORD}")',
    f"+cmd|' /C {WORD}'!A0",
    f"-2+3+{WORD}",
    f"@SUM(1+9)*{WORD}",
    f"\t={WORD}",
    f"\r={WORD}",
    f"＝{WORD}",
)
PLOTS = (
    f"${WORD}",
    f"$\\frac{{{WORD}}}$",
    f"$\\undefined{{{WORD}$",
    f"_{WORD}_",
    f"$ {WORD} ^ ^ $ $",
    f"\\textbf{{{WORD}}}",
)
PATHS = (
    f"../{WORD}",
    f"../../{WORD}.csv",
    f"/tmp/{WORD}",
    f"..\\..\\{WORD}",
    f"C:\\{WORD}",
    f"\\\\127.0.0.1\\{WORD}",
    f"a/{WORD}",
    f"{WORD}/../../..",
    "CON",
    "nul.csv",
    "LPT1",
    "aux",
    ".",
    "..",
    f"{WORD}. ",
    f"file:///{WORD}",
    f"~/{WORD}",
)
LETTERS = (
    f"\u202e{WORD}\u202c",
    f"\u2066{WORD}",
    f"شط{WORD}العرب",
    f"נהר {WORD}",
    f"{WORD}" + "\u0301" * 40,
    f"Z\u0334\u0351\u0301a\u0337l\u0338g\u0335o {WORD}",
    f"{WORD}\u200b\u200d\ufeff\u00ad",
    f"\u2028{WORD}\u2029",
    f"👩‍👩‍👧‍👦 {WORD} 🐟",
    f"{WORD}\U000e0001\U0010ffff",
    f"ﬁsh {WORD} Ⅻ ½",
    f"İ{WORD}ıß",
    f"中文 {WORD} 川",
    f"{WORD}\ue000\ufffd\ufffe",
)
CONTROLS = (
    f"{WORD}\x07\x08",
    f"\x1b[31m{WORD}\x1b]0;title\x07",
    f"{WORD}\x7f\x80\x9b",
    f"{WORD}\x0b\x0c",
    f"a\nb{WORD}",
    f"a\r\nb{WORD}",
    f"\t{WORD}",
    f"{WORD}\x01\x1f",
)
LONG = (WORD * 30, f"{WORD} " * 60, "x" * 3000 + WORD, "W" * 300 + WORD)
BLANK = (f" {WORD}", f"{WORD} ", f"{WORD}  {WORD}", f"\u00a0{WORD}\u3000")

KINDS = {
    "markup": MARKUP,
    "templates": TEMPLATES,
    "typst": TYPST,
    "code": CODE,
    "formulas": FORMULAS,
    "plots": PLOTS,
    "paths": PATHS,
    "letters": LETTERS,
    "controls": CONTROLS,
    "long": LONG,
    "blank": BLANK,
}
TEXTS = tuple(text for kind in KINDS.values() for text in kind)
NUMBERS = (
    "nan", "NaN", "inf", "-inf", "Infinity", "1e999", "-1e999", "1e-999", "0", "-0", "-1", "1_000", "1,000", "1.000,5", "0x10",
    "٣٠٠", "３００", "1e3", "+5", "5.", ".5", "1e", "--5", "5-", "5 mm", "²", "1/2", "5%", "9" * 400, "0." + "1" * 400, "1e308",
    "TRUE", "None", "null", "#N/A", "#REF!", "2025-10-01", "45000", "10:30", "'300", "300'", "300?", "~300", ">300", "300 ",
)  # fmt: skip
DATES = (
    "2025-02-30", "2025-13-01", "0000-00-00", "9999-12-31", "10000-01-01", "01/10/2025", "2025-10-01T25:00", "2025-10-1",
    "20251001", "45931", "-2025-10-01", "2025-10-01Z", "２０２５-10-01", "2024-02-29", "2025/10-01", "1.10.2025", "today",
)  # fmt: skip


def any_text(chance: random.Random) -> str:
    """One hostile text, now and then two of them joined."""
    first = chance.choice(TEXTS)
    return f"{first}{chance.choice(TEXTS)}" if chance.random() < 0.1 else first


def printable_text(chance: random.Random) -> str:
    """A hostile text on one line without control characters: what a person could type into a cell or a name."""
    while True:
        text = any_text(chance)
        if all(ord(sign) >= 32 and ord(sign) != 127 for sign in text) and len(text) < 400:
            return text


def damage_bytes(chance: random.Random, data: bytes) -> bytes:
    """The same bytes, damaged in one to three ways."""
    for _ in range(chance.randint(1, 3)):
        at = chance.randrange(len(data) + 1)
        length = chance.choice((1, 2, 8, 64, 512))
        match chance.randrange(9):
            case 0:
                data = data[:at]
            case 1:
                data = data[at:]
            case 2:
                data = data[:at] + data[at + length :]
            case 3:
                data = data[:at] + data[at : at + length] * chance.choice((2, 3, 50)) + data[at + length :]
            case 4:
                data = data[:at] + chance.randbytes(length) + data[at + length :]
            case 5:
                data = data[:at] + bytes(length) + data[at:]
            case 6:
                data = data[:at] + chance.choice(TEXTS).encode("utf-8", "surrogatepass") + data[at:]
            case 7:
                flipped = bytearray(data)
                for _ in range(min(8, len(flipped))):
                    flipped[chance.randrange(len(flipped))] ^= 1 << chance.randrange(8)
                data = bytes(flipped)
            case _:
                data = chance.choice((b"\xff\xfe", b"\xef\xbb\xbf", b"PK\x03\x04", b"\0", b"\x1f\x8b")) + data
    return data


def damage_text(chance: random.Random, text: str) -> str:
    """The same text with lines or pieces doubled, swapped, cut or replaced by hostile ones."""
    for _ in range(chance.randint(1, 4)):
        lines = text.split("\n")
        at, other = chance.randrange(len(lines)), chance.randrange(len(lines))
        match chance.randrange(8):
            case 0:
                lines.insert(at, lines[other])
            case 1:
                del lines[at]
            case 2:
                lines[at], lines[other] = lines[other], lines[at]
            case 3:
                lines[at] = any_text(chance)
            case 4:
                cut = chance.randrange(len(lines[at]) + 1)
                lines[at] = lines[at][:cut] + any_text(chance) + lines[at][cut:]
            case 5:
                lines[at] = lines[at].replace(
                    chance.choice('",=[]{}#-: ') or " ", chance.choice(('"', "'", ",", "=", "[", "\\", ""))
                )
            case 6:
                lines[at] = lines[at] * chance.choice((2, 20))
            case _:
                words = lines[at].split()
                chance.shuffle(words)
                lines[at] = " ".join(words)
        text = "\n".join(lines) or " "
    return text
