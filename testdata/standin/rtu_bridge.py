"""Passes Modbus RTU on a serial device on to a Modbus TCP server and back.

It knows the lengths of the frames of functions 3, 4, 6 and 16, and nothing of
what they mean. A frame with a wrong checksum is dropped, as a device does.
"""

import argparse
import os
import socket
import termios
import tty


def crc16(data):
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc.to_bytes(2, "little")


def request_length(head):
    """Length of the request that begins so; None when more must be read."""
    if len(head) < 7:
        return None
    return 9 + head[6] if head[1] == 16 else 8


def whole(stream, count):
    data = b""
    while len(data) < count:
        part = stream.recv(count - len(data))
        if not part:
            raise SystemExit("the server ended the connection")
        data += part
    return data


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--device", required=True)
    parser.add_argument("--server", required=True, help="host:port")
    options = parser.parse_args()
    host, port = options.server.rsplit(":", 1)
    server = socket.create_connection((host, int(port)))
    server.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    line = os.open(options.device, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(line, termios.TCSANOW)
    print("bridging", options.device, flush=True)
    held, transaction = b"", 0
    while True:
        held += os.read(line, 512)
        length = request_length(held)
        if length is None or len(held) < length:
            continue
        frame, held = held[:length], held[length:]
        if crc16(frame[:-2]) != frame[-2:]:
            held = b""
            continue
        transaction = (transaction + 1) & 0xFFFF
        body = frame[:-2]
        server.sendall(transaction.to_bytes(2, "big") + b"\0\0" + len(body).to_bytes(2, "big") + body)
        head = whole(server, 6)
        answer = whole(server, int.from_bytes(head[4:], "big"))
        os.write(line, answer + crc16(answer))


if __name__ == "__main__":
    main()
