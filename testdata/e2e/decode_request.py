"""Decodes a dump of the request block as mbpoll prints it, from handshake.md alone.

Usage: decode_request.py DUMP tag=T diameter_mm=D width_mm=W
Exit 0 when the block is whole, a roll waits in it and it is that roll within 3 mm.
"""

import re
import sys
import zlib

words = [int(m, 16) for m in re.findall(r"^\[\d+\]:\s*0x([0-9A-Fa-f]{1,4})", open(sys.argv[1]).read(), re.M)]
want = dict(a.split("=") for a in sys.argv[2:])
if len(words) != 96:
    sys.exit(f"{len(words)} registers, want 96")


def long(i):
    return words[i] << 16 | words[i + 1]


body = b"".join(w.to_bytes(2, "big") for w in words[:94])
if (words[0], words[1]) != (0x5251, 2) or words[2] != words[93] or zlib.crc32(body) != long(94):
    sys.exit("the block is not whole")
tag = b"".join(w.to_bytes(2, "big") for w in words[22:30]).rstrip(b"\0").decode("ascii")
diameter, width = long(30) / 10, long(32) / 10
print(f"phase {words[14]} roll {long(18)} request {long(20)} tag {tag} diameter {diameter} mm width {width} mm "
      f"samples {words[63:63 + words[61]]} {words[75:75 + words[62]]} crc {long(94):08X}")
if words[14] != 1:
    sys.exit("no roll waits")
if tag != want["tag"] or abs(diameter - float(want["diameter_mm"])) > 3 or abs(width - float(want["width_mm"])) > 3:
    sys.exit(f"another roll, want {want}")
