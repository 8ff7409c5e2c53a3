"""Removes the place where a photo was taken from the file, without touching a single pixel.

Phones write the coordinates into the EXIF block (a TIFF structure: tag 0x8825 points to the GPS directory,
CIPA DC-008 section 4.6.6) and sometimes again as XMP text. Both are blanked in place, byte for byte, so that
the file keeps its length and its compressed picture, whatever the container (JPEG, HEIC, WebP, PNG).
"""

import re
import struct
import zlib

_GPS_POINTER = 0x8825
_TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8}
_TIFF_START = re.compile(rb"II\*\x00|MM\x00\*")
# attribute form (exif:GPSLatitude="...") and element form (<exif:GPSLatitude>...</exif:GPSLatitude>)
_XMP_ATTRIBUTE = re.compile(rb"exif:GPS\w+\s*=\s*(\"[^\"]{0,200}\"|'[^']{0,200}')")
_XMP_ELEMENT = re.compile(rb"<exif:(GPS\w+)>[^<]{0,400}</exif:\1>")


def without_location(data: bytes) -> bytes:
    """Return the bytes of a photo file with the location blanked; equal to ``data`` if it holds none.

    The result has the same length. A damaged EXIF block is blanked as far as it can be read.
    """
    result = bytearray(data)
    for match in _TIFF_START.finditer(data):
        _blank_gps(result, match.start())
    for pattern in (_XMP_ATTRIBUTE, _XMP_ELEMENT):
        for match in pattern.finditer(data):
            result[match.start() : match.end()] = b" " * (match.end() - match.start())
    if data[:8] == b"\x89PNG\r\n\x1a\n" and result != data:
        _repair_png_checksums(result)
    return bytes(result)


def _blank_gps(data: bytearray, start: int) -> None:
    """Blank the GPS directory of the TIFF block beginning at ``start``, if it has one."""
    order = "<" if data[start : start + 2] == b"II" else ">"
    try:
        (first,) = struct.unpack_from(f"{order}I", data, start + 4)
        (count,) = struct.unpack_from(f"{order}H", data, start + first)
        for i in range(min(count, 200)):
            entry = start + first + 2 + 12 * i
            tag, _kind, _number, value = struct.unpack_from(f"{order}HHII", data, entry)
            if tag == _GPS_POINTER:
                _blank_directory(data, start, value, order)
    except struct.error:
        return  # not a TIFF block, or it ends early: nothing beyond can be read by anyone


def _blank_directory(data: bytearray, start: int, offset: int, order: str) -> None:
    at = start + offset
    (count,) = struct.unpack_from(f"{order}H", data, at)
    if count > 64:  # the standard knows 32 tags: this is not a GPS directory
        return
    for i in range(count):
        entry = at + 2 + 12 * i
        _tag, kind, number, value = struct.unpack_from(f"{order}HHII", data, entry)
        size = _TYPE_BYTES.get(kind, 1) * number
        if 4 < size <= 4096 and start + value + size <= len(data):
            data[start + value : start + value + size] = bytes(size)
        data[entry : entry + 12] = bytes(12)
    struct.pack_into(f"{order}H", data, at, 0)


def _repair_png_checksums(data: bytearray) -> None:
    at = 8
    while at + 12 <= len(data):
        (length,) = struct.unpack_from(">I", data, at)
        end = at + 8 + length
        if end + 4 > len(data):
            return
        struct.pack_into(">I", data, end, zlib.crc32(data[at + 4 : end]))
        at = end + 4
