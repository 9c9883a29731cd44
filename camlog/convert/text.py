"""The text of a foreign file: its encoding, and its lines in blocks of bounded size."""

from __future__ import annotations

import codecs
import io
import re
from collections.abc import Iterator

from camlog.convert.limits import BLOCK_CHARACTERS, HEAD_CHARACTERS, MAX_LINE_CHARACTERS
from camlog.convert.source import Source
from camlog.errors import InputError

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_SAMPLE_BYTES = 1 << 16
# What charset detection may answer: the code pages that tables of the trade are written in.
_CODE_PAGES = [
    "cp1252", "cp1250", "cp1251", "cp1254", "iso8859_2", "iso8859_5", "mac_roman", "cp437", "cp850",
    "shift_jis", "cp932", "gb18030", "big5", "cp949", "euc_jp",
]  # fmt: skip
# Beyond plain letters these are what headings and units hold; a text with no others is Latin-1 or its
# superset.
_USUAL = re.compile(
    r"[\x00-\x7f°º²³µ·±×÷½«»€–—…‘’“”ÄÖÜäöüßÀÂÇÈÉÊËÎÏÔÙÛàâçèéêëîïôùûÁÍÓÚÑáíóúñ¿¡ÅåÆæØøÃãÕõìòÌÒ\xa0]*\Z"
)
_CONTROL = re.compile(r"[\x00-\x08\x0e-\x1f\x7f]")


def detect_encoding(sample: bytes) -> str | None:
    """The name of the encoding of a text that begins with `sample`; None where it is no text.

    Byte order marks first, then the zeros of UTF-16, then strict UTF-8; what is left goes to
    charset-normalizer, with Latin-1's superset as the answer where that explains every character.
    """
    for mark, name in _MARKS:
        if sample.startswith(mark):
            return name
    if b"\x00" in sample:
        return _by_zeros(sample)
    try:
        codecs.getincrementaldecoder("utf-8")().decode(sample)
        return "utf-8"
    except UnicodeDecodeError:
        pass
    if _USUAL.match(sample.decode("cp1252", "replace")):
        return "cp1252"
    return _by_characters(sample)


def _by_zeros(sample: bytes) -> str | None:
    even, odd = sample[0::2].count(0), sample[1::2].count(0)
    half = len(sample) / 2
    if odd > 0.3 * half and even < 0.05 * half:
        return "utf-16-le"
    if even > 0.3 * half and odd < 0.05 * half:
        return "utf-16-be"
    return None


def _by_characters(sample: bytes) -> str:
    import charset_normalizer  # slow to import: only where the text is none of the usual ones

    # Lines of plain digits say nothing and only cost time.
    lines = [line for line in sample.split(b"\n") if any(byte > 127 for byte in line)]
    found = charset_normalizer.from_bytes(b"\n".join(lines)[:8192], cp_isolation=_CODE_PAGES).best()
    return found.encoding if found is not None else "cp1252"


class TextBlocks:
    """A foreign file as text with `\\n` line ends.

    `head` is its beginning (complete lines where there are any), `encoding` its encoding. Raises InputError
    for what is no text and for a line without end.
    """

    def __init__(self, source: Source, encoding: str | None = None):
        self.path = source.path
        self.source = source
        raw = io.BufferedReader(source, 1 << 18)
        sample = raw.peek(_SAMPLE_BYTES)[:_SAMPLE_BYTES]
        if sample[257:262] == b"ustar":
            remedy = "Unpack it, and convert one recording at a time."
            raise InputError("holds an archive of files, not a table of text", file=self.path, remedy=remedy)
        if not sample:
            raise InputError("is empty", file=self.path, remedy="Check the copy is complete.")
        self.encoding = encoding or detect_encoding(sample)
        if self.encoding is None:
            raise self._no_text()
        self._text = io.TextIOWrapper(raw, encoding=self.encoding, errors="replace", newline=None)
        self._pending = self._read(HEAD_CHARACTERS)
        end = self._pending.rfind("\n") + 1
        self.head = self._pending[:end] if end else self._pending
        start = self.head[:20000]
        if len(_CONTROL.findall(start)) > 0.02 * len(start) or start.count("\ufffd") > 0.05 * len(start):
            raise self._no_text()
        if not start.strip():
            raise InputError("holds nothing but blanks", file=self.path, remedy="Check the copy is complete.")

    def _no_text(self) -> InputError:
        return InputError("is not a table of text", file=self.path, remedy="Export the recording as CSV.")

    def _read(self, characters: int) -> str:
        try:
            return self._text.read(characters)
        except UnicodeError as error:
            raise InputError(
                f"is not {self.encoding} text", file=self.path, remedy="Export the recording as CSV in UTF-8."
            ) from error

    def blocks(self) -> Iterator[tuple[int, str]]:
        """(line number of its first line from 1, text) of each block of whole lines, from the file's start.

        Every line ends with a line end, but the file's last may not: `ends_torn` says so afterwards.
        """
        line, kept = 1, self._pending
        self._pending = ""
        self.ends_torn = False
        while True:
            more = self._read(BLOCK_CHARACTERS)
            text = kept + more
            cut = text.rfind("\n") + 1 if more else len(text)
            if len(text) - cut > MAX_LINE_CHARACTERS or (not cut and len(text) > MAX_LINE_CHARACTERS):
                raise self.endless_line(line + text.count("\n"))
            if not more:
                self.ends_torn = bool(text) and not text.endswith("\n")
            if cut:
                yield line, text[:cut]
                line += text.count("\n", 0, cut)
            kept = text[cut:]
            if not more:
                return

    def endless_line(self, line: int) -> InputError:
        return InputError(
            f"a line has more than {MAX_LINE_CHARACTERS >> 20} million characters", file=self.path, line=line,
            remedy="This is no table of readings; check which file is meant.",
        )  # fmt: skip
