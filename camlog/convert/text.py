"""The text of a foreign file: its encoding, and its lines in blocks of bounded size."""

from __future__ import annotations

import codecs
import io
import re
from collections.abc import Iterator

from camlog.convert.limits import BLOCK_CHARACTERS, HEAD_CHARACTERS, MAX_LINE_CHARACTERS
from camlog.convert.source import Source
from camlog.convert.words import say
from camlog.errors import InputError

_MARKS = {
    codecs.BOM_UTF8: "utf-8-sig", codecs.BOM_UTF32_LE: "utf-32", codecs.BOM_UTF32_BE: "utf-32",
    codecs.BOM_UTF16_LE: "utf-16", codecs.BOM_UTF16_BE: "utf-16",
}  # fmt: skip
_SAMPLE_BYTES = 1 << 16
# What charset detection may answer: the code pages that tables of the trade are written in.
_CODE_PAGES = """
cp1252 cp1250 cp1251 cp1254 iso8859_2 iso8859_5 mac_roman cp437 cp850 shift_jis cp932 gb18030 big5 cp949 euc_jp
""".split()
# Beyond plain letters these are what headings and units hold; a text with no others is Latin-1 or its superset.
_USUAL = re.compile(r"[\x00-\x7f°º²³µ·±×÷½«»€–—…‘’“”ÄÖÜäöüßÀÂÇÈÉÊËÎÏÔÙÛàâçèéêëîïôùûÁÍÓÚÑáíóúñ¿¡ÅåÆæØøÃãÕõìòÌÒ\xa0]*\Z")
_CONTROL = re.compile(r"[\x00-\x08\x0e-\x1f\x7f]")


def detect_encoding(sample: bytes) -> str | None:
    """The name of the encoding of a text that begins with `sample`; None where it is no text.

    Byte order marks first, then the zeros of UTF-16, then strict UTF-8; what is left goes to
    charset-normalizer, with Latin-1's superset as the answer where that explains every character.
    """
    for mark, name in _MARKS.items():
        if sample.startswith(mark):
            return name
    if b"\x00" in sample:
        even, odd = (2 * sample[start::2].count(0) / len(sample) for start in (0, 1))
        if odd > 0.3 and even < 0.05:
            return "utf-16-le"
        return "utf-16-be" if even > 0.3 and odd < 0.05 else None
    try:
        codecs.getincrementaldecoder("utf-8")().decode(sample)
        return "utf-8"
    except UnicodeDecodeError:
        pass
    if _USUAL.match(sample.decode("cp1252", "replace")):
        return "cp1252"
    import charset_normalizer  # slow to import: only where the text is none of the usual ones

    # Lines of plain digits say nothing and only cost time.
    lines = [line for line in sample.split(b"\n") if not line.isascii()]
    found = charset_normalizer.from_bytes(b"\n".join(lines)[:8192], cp_isolation=_CODE_PAGES).best()
    return found.encoding if found is not None else "cp1252"


class TextBlocks:
    """A foreign file as text with `\\n` line ends.

    `head` is its beginning (complete lines where there are any), `encoding` its encoding. Raises InputError
    for what is no text and for a line without end.
    """

    def __init__(self, source: Source, encoding: str | None = None):
        self.path, self.source = source.path, source
        raw = io.BufferedReader(source, 1 << 18)
        sample = raw.peek(_SAMPLE_BYTES)[:_SAMPLE_BYTES]
        if sample[257:262] == b"ustar":
            raise say.error("archive_of_files", file=self.path)
        if not sample:
            raise say.error("empty", file=self.path)
        self.encoding = encoding or detect_encoding(sample) or ""
        if not self.encoding:
            raise say.error("no_text", file=self.path)
        self._text = io.TextIOWrapper(raw, encoding=self.encoding, errors="replace", newline=None)
        self._pending = self._read(HEAD_CHARACTERS)
        self.head = self._pending[: self._pending.rfind("\n") + 1] or self._pending
        start = self.head[:20000]
        if len(_CONTROL.findall(start)) > 0.02 * len(start) or start.count("\ufffd") > 0.05 * len(start):
            raise say.error("no_text", file=self.path)
        if not start.strip():
            raise say.error("blank", file=self.path)

    def _read(self, characters: int) -> str:
        try:
            return self._text.read(characters)
        except UnicodeError as error:
            raise say.error("not_encoded_so", file=self.path, encoding=self.encoding) from error

    def blocks(self) -> Iterator[tuple[int, str]]:
        """(line number of its first line from 1, text) of each block of whole lines, from the file's start.

        Every line ends with a line end, but the file's last may not.
        """
        line, kept, more = 1, self._pending, "more"
        self._pending = ""
        while more:
            more = self._read(BLOCK_CHARACTERS)
            text = kept + more
            cut = text.rfind("\n") + 1 if more else len(text)
            if len(text) - cut > MAX_LINE_CHARACTERS or (not cut and len(text) > MAX_LINE_CHARACTERS):
                raise self.endless_line(line + text.count("\n"))
            if cut:
                yield line, text[:cut]
                line += text.count("\n", 0, cut)
            kept = text[cut:]

    def endless_line(self, line: int) -> InputError:
        """The refusal of a line that is longer than any row of readings."""
        return say.error("endless_line", file=self.path, line=line, millions=MAX_LINE_CHARACTERS >> 20)
